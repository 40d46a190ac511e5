/**
 * The table of the blocks of one chunk: all of `RawBlock` but its numbers, as zigzag varints, a block after the other:
 *
 *   scan jump | scans | instant, residual in ns | spacing, difference in ps | half-width, difference in ns | lostBefore
 *   | length of the quality runs | (bits, length) *        runs of 0 length: all scans are good
 *
 * Instants are predicted from the block before, so that a steady stream costs a byte or two.
 */
import type { RawBlock } from '../../drivers/driver.ts';
import { VarintReader, VarintWriter } from './varint.ts';

const nano = 1e9;
const pico = 1e12;

/** Blocks of one group in order of time, to bytes. */
export function encodeBlockTable(blocks: readonly RawBlock[]): Uint8Array {
  const writer = new VarintWriter(blocks.length * 16);
  const base_s = blocks[0].time_s;
  let last = { scan: 0, time_ns: 0, interval_ps: 0, halfWidth_ns: 0, scans: 0 };
  for (const block of blocks) {
    const interval_ps = Math.round(block.interval_s * pico);
    const halfWidth_ns = Math.round(block.halfWidth_s * nano);
    const jump = block.scan - (last.scan + last.scans);
    const time_ns = Math.round((block.time_s - base_s) * nano);
    writer.writeSafe(jump);
    writer.writeSafe(block.scans);
    writer.writeSafe(time_ns - predict_ns(last, jump));
    writer.writeSafe(interval_ps - last.interval_ps);
    writer.writeSafe(halfWidth_ns - last.halfWidth_ns);
    writer.writeSafe(block.lostBefore);
    writeQuality(writer, block);
    last = { scan: block.scan, time_ns, interval_ps, halfWidth_ns, scans: block.scans };
  }
  return writer.view();
}

/** The reverse; the arrays of the blocks are views of `values`. */
export function decodeBlockTable(
  bytes: Uint8Array,
  chunk: { group: number; channels: number; blocks: number; scans: number; time_s: number },
  values: Int32Array | Float64Array,
): RawBlock[] {
  const reader = new VarintReader(bytes);
  const blocks: RawBlock[] = [];
  let last = { scan: 0, time_ns: 0, interval_ps: 0, halfWidth_ns: 0, scans: 0 };
  let at = 0;
  for (let k = 0; k < chunk.blocks; k++) {
    const jump = reader.readSafe();
    const scans = reader.readSafe();
    const time_ns = predict_ns(last, jump) + reader.readSafe();
    const interval_ps = last.interval_ps + reader.readSafe();
    const halfWidth_ns = last.halfWidth_ns + reader.readSafe();
    const scan = last.scan + last.scans + jump;
    if (scans < 0 || at + scans > chunk.scans)
      throw new RangeError('a block holds more scans than its chunk');
    blocks.push({
      group: chunk.group,
      scan,
      scans,
      time_s: chunk.time_s + time_ns / nano,
      interval_s: interval_ps / pico,
      halfWidth_s: halfWidth_ns / nano,
      lostBefore: reader.readSafe(),
      quality: readQuality(reader, scans),
      raw: values.subarray(at * chunk.channels, (at + scans) * chunk.channels),
    });
    at += scans;
    last = { scan, time_ns, interval_ps, halfWidth_ns, scans };
  }
  if (at !== chunk.scans || !reader.isAtEnd) throw new RangeError('a block table disagrees with its chunk');
  return blocks;
}

/** Where the next block begins if the spacing holds and `jump` scans are missing. */
function predict_ns(last: { time_ns: number; interval_ps: number; scans: number }, jump: number): number {
  // Before the first block there is no spacing, and its scan number is not a loss.
  if (last.scans === 0) return 0;
  const time_ns = last.time_ns + Math.round(((last.scans + jump) * last.interval_ps) / 1000);
  // A jump of scan numbers after days of silence says nothing about time, and must stay an exact integer.
  return Math.abs(time_ns) < 2 ** 50 ? time_ns : last.time_ns;
}

function writeQuality(writer: VarintWriter, block: RawBlock): void {
  const { quality, scans } = block;
  const runs: number[] = [];
  for (let from = 0; from < scans; ) {
    let to = from + 1;
    while (to < scans && quality[to] === quality[from]) to++;
    runs.push(quality[from], to - from);
    from = to;
  }
  const isGood = runs.length <= 2 && (runs[0] ?? 0) === 0;
  writer.writeSafe(isGood ? 0 : runs.length / 2);
  if (!isGood) for (const number of runs) writer.writeSafe(number);
}

function readQuality(reader: VarintReader, scans: number): Uint8Array {
  const quality = new Uint8Array(scans);
  const runs = reader.readSafe();
  let at = 0;
  for (let run = 0; run < runs; run++) {
    const bits = reader.readSafe();
    const length = reader.readSafe();
    quality.fill(bits, at, at + length);
    at += length;
  }
  return quality;
}
