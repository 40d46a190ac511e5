/** Writes down every block that a driver delivers, beside the recorder, and reads it back. Little-endian, for one machine. */
import { createReadStream, createWriteStream, type WriteStream } from 'node:fs';
import type { Driver, DriverSink, RawBlock } from '../../drivers/driver.ts';

/**
 * One block: u32 bytes of the numbers | u32 group | u32 scans | f64 scan, time_s, interval_s, halfWidth_s, lostBefore |
 * numbers | quality. Integers when `isWide` is 0, else float64.
 */
const head_bytes = 56;

/** A driver whose blocks also go into a file, in order. The file is closed when the driver has stopped. */
export function teed(driver: Driver, path: string): Driver {
  let file: WriteStream | null = null;
  return {
    get groups() {
      return driver.groups;
    },
    get counters() {
      return driver.counters;
    },
    start(sink: DriverSink) {
      file = createWriteStream(path);
      const own = file;
      driver.start({
        block(block) {
          own.write(encode(block));
          sink.block(block);
        },
        state: (state) => sink.state(state),
      });
    },
    async stop() {
      await driver.stop();
      await new Promise<void>((resolve) => (file === null ? resolve() : file.end(() => resolve())));
    },
  };
}

function encode(block: RawBlock): Buffer {
  const raw = Buffer.from(block.raw.buffer, block.raw.byteOffset, block.raw.byteLength);
  const bytes = Buffer.alloc(head_bytes + raw.length + block.scans);
  bytes.writeUInt32LE(raw.length, 0);
  bytes.writeUInt32LE(block.group, 4);
  bytes.writeUInt32LE(block.scans, 8);
  bytes.writeUInt32LE(block.raw instanceof Float64Array ? 1 : 0, 12);
  const { scan, time_s, interval_s, halfWidth_s, lostBefore } = block;
  [scan, time_s, interval_s, halfWidth_s, lostBefore].forEach((value, i) => {
    bytes.writeDoubleLE(value, 16 + 8 * i);
  });
  raw.copy(bytes, head_bytes);
  bytes.set(block.quality.subarray(0, block.scans), head_bytes + raw.length);
  return bytes;
}

/** The blocks of a file, in order. Throws on a file that ends in the middle of a block. */
export async function* readTee(path: string): AsyncGenerator<RawBlock, void, undefined> {
  let rest = Buffer.alloc(0);
  for await (const chunk of createReadStream(path, { highWaterMark: 2 ** 20 })) {
    rest = Buffer.concat([rest, chunk as Buffer]);
    let at = 0;
    while (rest.length - at >= head_bytes) {
      const raw_bytes = rest.readUInt32LE(at);
      const scans = rest.readUInt32LE(at + 8);
      const end = at + head_bytes + raw_bytes + scans;
      if (end > rest.length) break;
      yield decode(rest, at, raw_bytes, scans);
      at = end;
    }
    rest = rest.subarray(at);
  }
  if (rest.length > 0) throw new Error(`${path} ends in the middle of a block`);
}

function decode(bytes: Buffer, at: number, raw_bytes: number, scans: number): RawBlock {
  const from = at + head_bytes;
  // A copy of its own, so that the numbers begin where typed arrays may.
  const raw = Uint8Array.from(bytes.subarray(from, from + raw_bytes)).buffer;
  const number = (i: number) => bytes.readDoubleLE(at + 16 + 8 * i);
  return {
    group: bytes.readUInt32LE(at + 4),
    scans,
    scan: number(0),
    time_s: number(1),
    interval_s: number(2),
    halfWidth_s: number(3),
    lostBefore: number(4),
    raw: bytes.readUInt32LE(at + 12) === 1 ? new Float64Array(raw) : new Int32Array(raw),
    quality: Uint8Array.from(bytes.subarray(from + raw_bytes, from + raw_bytes + scans)),
  };
}
