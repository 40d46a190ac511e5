/** Streaming converters: the binary framing, what a lying converter does to the stream behind it, and lines of text. */
import type { Counters, RawBlock } from '../../drivers/driver.ts';
import type { SerialFramesLineSpec } from '../../drivers/line-spec.ts';
import { AsciiReceiver } from '../../drivers/serial-frames/ascii.ts';
import { BinaryReceiver } from '../../drivers/serial-frames/binary.ts';
import { encodeFrame, type Frame, FrameDecoder, frameBytes } from '../../drivers/serial-frames/frame.ts';
import type { Receiver } from '../../drivers/serial-frames/receiver.ts';
import { ScanStream } from '../../drivers/serial-frames/scan-stream.ts';
import { inPieces, mutate, Random } from './random.ts';
import type { FuzzCounts, FuzzTarget } from './target.ts';

/** Frames that go into one stream before it is checked. */
const framesAStream = 32;

/** CRC-32 of IEEE 802.3 bit by bit, so that the decoder's own is not judged by itself. */
function crc32Bitwise(bytes: Uint8Array): number {
  let crc = 0xffffffff;
  for (const byte of bytes) {
    crc ^= byte;
    for (let bit = 0; bit < 8; bit++) crc = (crc >>> 1) ^ (crc & 1 ? 0xedb88320 : 0);
  }
  return ~crc >>> 0;
}

function randomFrame(random: Random): Frame {
  const channels = random.oneIn(50) ? 1 + random.below(32) : 1 + random.below(4);
  const scans = random.oneIn(50) ? 1 + random.below(64) : 1 + random.below(4);
  const isWide = random.oneIn(3);
  return {
    sequence: random.bits() >>> 0,
    period_ns: 1 + random.below(0xffffffff),
    channels,
    scans,
    isWide,
    isOverRange: random.oneIn(9),
    status: random.oneIn(9) ? random.below(256) : 0,
    // The pair that opens a frame turns up inside frames, too.
    digital: Uint16Array.from({ length: scans }, () => (random.oneIn(8) ? 0x5aa5 : random.below(65536))),
    samples: Int32Array.from({ length: scans * channels }, () => random.bits() >> (isWide ? 8 : 16)),
  };
}

function fuzzFrames(seed: number, count: number, progress: (done: number) => void): FuzzCounts {
  const random = new Random(seed);
  const totals = { accepted: 0, intact: 0, crcErrors: 0 };
  for (let done = 0; done < count; done += framesAStream) {
    const parts: Uint8Array[] = [];
    const intact: number[] = [];
    let length = 0;
    for (let k = 0; k < framesAStream; k++) {
      const bytes = encodeFrame(randomFrame(random));
      const kind = random.below(4);
      if (kind === 1) intact.push(length);
      const noise = kind === 0 ? random.fill(new Uint8Array(random.below(60))) : mutate(bytes, random);
      const part = kind === 1 ? bytes : noise;
      parts.push(part);
      length += part.length;
    }
    // A damaged length may hold back what follows until the longest frame has gone by.
    parts.push(new Uint8Array(frameBytes(32, 64, true)));
    const stream = Buffer.concat(parts);
    checkStream(stream, intact, random, totals);
    progress(done);
  }
  return totals;
}

/**
 * Every frame that comes out stands in the stream with its CRC; every byte is accounted for; every intact frame comes out, unless
 * a torn one in front of it was made whole by its first bytes: what its CRC vouches for is taken.
 */
function checkStream(
  stream: Buffer,
  intact: readonly number[],
  random: Random,
  totals: { accepted: number; intact: number; crcErrors: number },
): void {
  const counters: Counters = {};
  const decoder = new FrameDecoder(counters);
  let cursor = 0;
  let used = 0;
  let next = 0;
  const accept = (frame: Frame): void => {
    const bytes = encodeFrame(frame);
    const at = stream.indexOf(bytes, cursor);
    const body = bytes.subarray(2, bytes.length - 4);
    if (at < 0 || crc32Bitwise(body) !== Buffer.from(bytes).readUInt32LE(bytes.length - 4)) {
      throw new Error(
        `a frame came out that did not go in with a right CRC: ${Buffer.from(bytes).toString('hex')}`,
      );
    }
    cursor = at + bytes.length;
    used += bytes.length;
    // All that begin before the end of this one: it is one of them, or has taken its first bytes.
    if (next < intact.length && intact[next]! < at)
      throw new Error(`an intact frame was lost in ${stream.toString('hex')}`);
    while (next < intact.length && intact[next]! < cursor) next++;
  };
  inPieces(stream, 12, 700, random, (piece) => decoder.push(piece, accept));
  decoder.reset();
  const { framesReceived, bytesSkipped, crcErrorsSeen } = counters as Record<string, number>;
  if (next < intact.length) throw new Error(`an intact frame was lost in ${stream.toString('hex')}`);
  if (used + bytesSkipped! !== stream.length) throw new Error('bytes of the stream are unaccounted for');
  totals.accepted += framesReceived!;
  totals.intact += intact.length;
  totals.crcErrors += crcErrorsSeen!;
}

const channels = [
  { id: 'p', source: 'analog', index: 0 },
  { id: 'q', source: 'analog', index: 2 },
  { id: 'run', source: 'digital', index: 3 },
] as const;

function lineSpec(framing: SerialFramesLineSpec['framing']): SerialFramesLineSpec {
  const link = { kind: 'tcp', host: '127.0.0.1', port: 1 } as const;
  return { driver: 'serial-frames', id: 'line', link, framing, rate_Hz: 1000, delay_s: 0, channels };
}

/** What a sink may rely on, whatever the converter sends. */
class BlockCheck {
  blocks = 0;
  scans = 0;
  #next = 0;
  #time_s = Number.NEGATIVE_INFINITY;

  take({ scan, scans, time_s, interval_s, halfWidth_s, raw, quality, lostBefore }: RawBlock): void {
    const isWhole = raw.length === scans * channels.length && quality.length === scans && scans > 0;
    if (!isWhole) throw new Error(`a block of ${scans} scans has ${raw.length} numbers`);
    if (scan !== this.#next + lostBefore)
      throw new Error(`scan ${scan} after ${this.#next}, ${lostBefore} lost`);
    if (!Number.isSafeInteger(scan) || lostBefore < 0) throw new Error(`scan ${scan}, ${lostBefore} lost`);
    for (const number of [time_s, interval_s, halfWidth_s]) {
      if (!Number.isFinite(number))
        throw new Error(`time ${time_s}, spacing ${interval_s}, half-width ${halfWidth_s}`);
    }
    if (time_s < this.#time_s) throw new Error(`time goes back from ${this.#time_s} to ${time_s} s`);
    for (const value of raw) if (!Number.isFinite(value)) throw new Error(`value ${value}`);
    this.#next = scan + scans;
    this.#time_s = time_s + (scans - 1) * interval_s;
    this.blocks++;
    this.scans += scans;
  }
}

/** Well-formed frames of a converter that lies about sequence and period, jumps, restarts and mixes layouts. */
function fuzzReceiver(seed: number, count: number, progress: (done: number) => void): FuzzCounts {
  const random = new Random(seed);
  const totals: FuzzCounts = { accepted: 0, blocks: 0, scans: 0, restarts: 0 };
  for (let done = 0; done < count; done += 1000) {
    const check = new BlockCheck();
    const counters: Counters = {};
    const stream = new ScanStream(channels.length, false, 0.6, counters, (block) => check.take(block));
    const receiver = new BinaryReceiver(lineSpec({ kind: 'binary' }), 0, counters, stream);
    let sequence = random.bits() >>> 0;
    let now_s = 1000;
    const period_ns = random.pick([1, 1000, 200_000, 1_000_000, 0xffffffff]);
    for (let k = 0; k < Math.min(1000, count - done); k++) {
      const frame = {
        ...randomFrame(random),
        period_ns: random.oneIn(30) ? 1 + random.below(0xffffffff) : period_ns,
      };
      if (random.oneIn(15)) sequence = (sequence + (random.bits() >> random.pick([0, 20, 24]))) >>> 0;
      const bytes = encodeFrame({ ...frame, sequence });
      sequence = (sequence + frame.scans) >>> 0;
      now_s += random.oneIn(100)
        ? random.below(100)
        : (frame.scans * period_ns * 1e-9 * random.below(2000)) / 1000;
      receiver.push(random.oneIn(20) ? mutate(bytes, random) : bytes, now_s);
      if (random.oneIn(300)) receiver.reopened();
    }
    stream.flush();
    addUp(totals, check, receiver, counters);
    progress(done);
  }
  return totals;
}

function addUp(totals: FuzzCounts, check: BlockCheck, receiver: Receiver, counters: Counters): void {
  totals['accepted']! += receiver.unitsAccepted;
  totals['blocks']! += check.blocks;
  totals['scans']! += check.scans;
  totals['restarts']! += counters['restartsSeen']!;
}

const words = [
  '',
  ' ',
  '1',
  '-4,5',
  '1.5e3',
  '1e999',
  'NaN',
  '0x10',
  '--3',
  '7',
  '.',
  '+.5',
  '1,2,3',
  '99999999999999999999',
  '\u00e4',
];

function fuzzLines(seed: number, count: number, progress: (done: number) => void): FuzzCounts {
  const random = new Random(seed);
  const totals: FuzzCounts = { accepted: 0, blocks: 0, scans: 0, restarts: 0, refused: 0 };
  for (let done = 0; done < count; done += 1000) {
    const check = new BlockCheck();
    const counters: Counters = {};
    const stream = new ScanStream(channels.length, true, 1.5e-3, counters, (block) => check.take(block));
    const delimiter = random.pick([';', ',', '\t', ' ']);
    const framing = { kind: 'ascii', delimiter, decimalComma: delimiter !== ',' && random.oneIn(2) } as const;
    const receiver = new AsciiReceiver(lineSpec(framing), 0, counters, stream);
    let now_s = 1000;
    for (let k = 0; k < Math.min(1000, count - done); k++) {
      const fields = Array.from({ length: random.oneIn(20) ? random.below(200) : 4 }, () =>
        random.oneIn(12) ? random.pick(words) : String(random.below(4096)),
      );
      const line = Buffer.from(fields.join(delimiter) + random.pick(['\n', '\r\n', '\r']), 'latin1');
      now_s += random.oneIn(200) ? random.below(50) : random.below(2000) * 1e-6;
      const bytes = random.oneIn(4) ? mutate(line, random) : line;
      if (bytes.length > 0) receiver.push(bytes, now_s);
      if (random.oneIn(1000)) receiver.push(random.fill(new Uint8Array(10_000)), now_s);
      if (random.oneIn(500)) receiver.reopened();
    }
    stream.flush();
    totals['refused']! += counters['linesRefused']!;
    addUp(totals, check, receiver, counters);
    progress(done);
  }
  return totals;
}

export const streamTargets: readonly FuzzTarget[] = [
  { name: 'binary-frames', count: 10_000_000, smallCount: 20_000, run: fuzzFrames },
  { name: 'frame-receiver', count: 10_000_000, smallCount: 20_000, run: fuzzReceiver },
  { name: 'ascii-lines', count: 10_000_000, smallCount: 20_000, run: fuzzLines },
];
