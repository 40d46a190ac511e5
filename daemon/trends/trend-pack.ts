/**
 * Many rollups of one channel in few bytes: columns, each as it packs best, then deflate.
 *
 *   starts (steps of the level), counts, flags: zigzag varints of differences
 *   min, max, mean, standard deviation: float32, bytes of equal weight together
 *
 * float32 keeps 7 digits: more than any converter has.
 */
import { deflateRawSync, inflateRawSync } from 'node:zlib';
import { VarintReader, VarintWriter } from '../store/varint.ts';
import { deviationOf, type Rollup } from './trend-rollup.ts';

/** Rollups of one level, ascending by start. */
export function packRollups(rollups: readonly Rollup[], level_s: number): Uint8Array {
  const whole = new VarintWriter(rollups.length * 4);
  whole.writeSafe(rollups.length);
  const columns = [
    rollups.map(({ start_s }) => start_s / level_s),
    rollups.map(({ count }) => count),
    rollups.map(({ flags }) => flags),
  ];
  for (const column of columns) {
    let last = 0;
    for (const value of column) {
      whole.writeSafe(value - last);
      last = value;
    }
  }
  const head = whole.view();
  const numbers = new Float32Array(rollups.length * 4);
  rollups.forEach((rollup, at) => {
    numbers[at] = rollup.min;
    numbers[rollups.length + at] = rollup.max;
    numbers[2 * rollups.length + at] = rollup.mean;
    numbers[3 * rollups.length + at] = deviationOf(rollup);
  });
  const bytes = new Uint8Array(4 + head.length + numbers.byteLength);
  new DataView(bytes.buffer).setUint32(0, head.length, true);
  bytes.set(head, 4);
  const from = new Uint8Array(numbers.buffer);
  let at = 4 + head.length;
  // Column by column, the bytes of equal weight together: neighbours share sign and exponent.
  for (let column = 0; column < 4; column++) {
    const base = column * rollups.length * 4;
    for (let weight = 0; weight < 4; weight++) {
      for (let k = 0; k < rollups.length; k++) bytes[at++] = from[base + 4 * k + weight]!;
    }
  }
  return deflateRawSync(bytes, { level: 9 });
}

/** How many packed rollups that begin in [from_s, to_s) hold a sample; their numbers stay packed. */
export function countPacked(packed: Uint8Array, level_s: number, from_s: number, to_s: number): number {
  const bytes = inflateRawSync(packed);
  const reader = new VarintReader(bytes.subarray(4, 4 + bytes.readUInt32LE(0)));
  const length = reader.readSafe();
  const starts = column(reader, length);
  const counts = column(reader, length);
  let found = 0;
  for (let k = 0; k < length; k++) {
    const start_s = starts[k]! * level_s;
    if (counts[k]! > 0 && start_s >= from_s && start_s < to_s) found++;
  }
  return found;
}

/** The reverse. Throws when the bytes are not those of `packRollups`. */
export function unpackRollups(packed: Uint8Array, level_s: number): Rollup[] {
  const bytes = inflateRawSync(packed);
  const headLength = bytes.readUInt32LE(0);
  const reader = new VarintReader(bytes.subarray(4, 4 + headLength));
  const length = reader.readSafe();
  const starts = column(reader, length);
  const counts = column(reader, length);
  const flags = column(reader, length);
  const numbers = new Float32Array(length * 4);
  const into = new Uint8Array(numbers.buffer);
  let at = 4 + headLength;
  for (let each = 0; each < 4; each++) {
    const base = each * length * 4;
    for (let weight = 0; weight < 4; weight++) {
      for (let k = 0; k < length; k++) into[base + 4 * k + weight] = bytes[at++]!;
    }
  }
  const rollups: Rollup[] = new Array(length);
  for (let k = 0; k < length; k++) {
    const count = counts[k]!;
    rollups[k] = {
      start_s: starts[k]! * level_s,
      count,
      min: numbers[k]!,
      max: numbers[length + k]!,
      mean: numbers[2 * length + k]!,
      squares: count > 1 ? numbers[3 * length + k]! ** 2 * (count - 1) : 0,
      flags: flags[k]!,
    };
  }
  return rollups;
}

function column(reader: VarintReader, length: number): Float64Array {
  const values = new Float64Array(length);
  let last = 0;
  for (let k = 0; k < length; k++) {
    last += reader.readSafe();
    values[k] = last;
  }
  return values;
}
