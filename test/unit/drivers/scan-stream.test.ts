import { describe, expect, it } from 'vitest';
import { type Counters, quality, type RawBlock } from '../../../drivers/driver.ts';
import type { FrameChannelSpec, SerialFramesLineSpec } from '../../../drivers/line-spec.ts';
import { BinaryReceiver } from '../../../drivers/serial-frames/binary.ts';
import { encodeFrame, type Frame } from '../../../drivers/serial-frames/frame.ts';
import { ScanStream } from '../../../drivers/serial-frames/scan-stream.ts';

const scans = 25;
const period_s = 2e-4;
const frame_s = scans * period_s;

const channels: readonly FrameChannelSpec[] = [
  { id: 'switch', source: 'digital', index: 1 },
  { id: 'inlet', source: 'analog', index: 1 },
  { id: 'run', source: 'digital', index: 0 },
];

function frame(sequence: number, changes: Partial<Frame> = {}): Frame {
  return {
    sequence: sequence >>> 0,
    period_ns: period_s * 1e9,
    channels: 2,
    scans,
    isWide: false,
    isOverRange: false,
    status: 0,
    digital: Uint16Array.from({ length: scans }, (_, i) => (i === 3 ? 2 : 1)),
    samples: Int32Array.from({ length: scans * 2 }, (_, i) => (i % 2 === 0 ? -7 : (i >> 1) - 100)),
    ...changes,
  };
}

/** A receiver without a wire: `at` hands in frames that arrive at one instant. */
function makeLine(changes: Partial<SerialFramesLineSpec> = {}, characterTime_s = 0) {
  const spec: SerialFramesLineSpec = {
    driver: 'serial-frames',
    id: 'taps',
    link: { kind: 'tcp', host: '127.0.0.1', port: 1 },
    framing: { kind: 'binary' },
    rate_Hz: 1 / period_s,
    delay_s: 0,
    channels,
    ...changes,
  };
  const counters: Counters = {};
  const blocks: RawBlock[] = [];
  const stream = new ScanStream(spec.channels.length, false, 0.6, counters, (block) => blocks.push(block));
  const receiver = new BinaryReceiver(spec, characterTime_s, counters, stream);
  const at = (arrival_s: number, ...frames: Frame[]): void =>
    receiver.push(Buffer.concat(frames.map(encodeFrame)), arrival_s);
  /** Frames that arrive as their last scan is taken; the scan of `sequence` 0 at `start_s`. */
  const live = (from: number, count: number, start_s: number, first: number = from): void => {
    for (let i = 0; i < count; i++)
      at(start_s + (from + (i + 1) * scans - 1) * period_s, frame(first + i * scans));
  };
  return { counters, blocks, stream, receiver, at, live };
}

/** The blocks must be gapless in scan except by what they declare. */
function checkChain(blocks: readonly RawBlock[]): void {
  let next = 0;
  for (const { scan, scans: length, lostBefore, raw, quality: bits } of blocks) {
    expect(scan).toBe(next + lostBefore);
    expect(raw.length).toBe(length * channels.length);
    expect(bits.length).toBe(length);
    next = scan + length;
  }
}

describe('columns', () => {
  it('puts digital bits and samples where the configuration wants them', () => {
    const { blocks, stream, at } = makeLine();
    at(1, frame(0));
    stream.flush();
    expect(Array.from(blocks[0].raw.slice(0, 15))).toEqual([
      0, -100, 1, 0, -99, 1, 0, -98, 1, 1, -97, 0, 0, -96, 1,
    ]);
    expect(blocks[0].raw).toBeInstanceOf(Int32Array);
  });

  it('marks over-range and frames the converter does not vouch for', () => {
    const { blocks, stream, at, counters } = makeLine();
    at(1, frame(0, { isOverRange: true }));
    at(1 + frame_s, frame(scans, { status: 9 }));
    stream.flush();
    expect(blocks[0].quality[0]).toBe(quality.clipped);
    expect(blocks[1].quality[scans - 1]).toBe(quality.suspect);
    expect(counters).toMatchObject({ overRangesSeen: 1, statusFaultsSeen: 1 });
  });

  it('refuses frames with too few channels and says so', () => {
    const { blocks, stream, at, counters, receiver } = makeLine();
    at(1, frame(0, { channels: 1 }));
    stream.flush();
    expect(blocks).toEqual([]);
    expect(counters['framesRefused']).toBe(1);
    expect(receiver.problem).toMatch(/sends 1 channels.*needs 2/);
  });
});

describe('gaps, wraps and restarts', () => {
  it('joins frames of one read and cuts long backlogs', () => {
    const { blocks, stream, at } = makeLine();
    at(10, ...Array.from({ length: 12 }, (_, i) => frame(i * scans)));
    stream.flush();
    expect(blocks.map((block) => block.scans)).toEqual([125, 125, 50]);
    checkChain(blocks);
  });

  it('counts lost scans exactly, across the wrap of the sequence', () => {
    const { blocks, stream, counters, live } = makeLine();
    const start = 2 ** 32 - 10 * scans;
    live(0, 9, 5, start);
    live(12 * scans, 10, 5, start + 12 * scans);
    stream.flush();
    checkChain(blocks);
    expect(blocks.filter(({ lostBefore }) => lostBefore > 0)).toMatchObject([
      { lostBefore: 3 * scans, scan: 12 * scans },
    ]);
    expect(counters).toMatchObject({ scansLost: 3 * scans, scansReceived: 19 * scans, restartsSeen: 0 });
  });

  it('judges the loss of a restart by time', () => {
    const { blocks, stream, counters, live } = makeLine();
    live(1_000_000, 20, 5);
    // Power comes back; a second after the last scan the sequence begins at 0.
    const back_s = 5 + (1_000_000 + 20 * scans - 1) * period_s + 1;
    live(0, 20, back_s);
    stream.flush();
    checkChain(blocks);
    expect(counters['restartsSeen']).toBe(1);
    // 4999 scans fit between two scans that lie 1 s apart.
    expect(Math.abs(counters['scansLost'] - 4999)).toBeLessThanOrEqual(1);
    const after = blocks.find(({ lostBefore }) => lostBefore > 0)!;
    expect(Math.abs(after.time_s - back_s)).toBeLessThanOrEqual(after.halfWidth_s);
  });

  it('takes a sequence that is ahead of what time allows for a restart, not for a loss', () => {
    const { blocks, stream, counters, live } = makeLine();
    live(1_000, 20, 5);
    live(2_000_000, 20, 5 + 0.4 - 2_000_000 * period_s);
    stream.flush();
    checkChain(blocks);
    expect(counters['restartsSeen']).toBe(1);
    expect(counters['scansLost']).toBeLessThan(0.4 / period_s);
  });

  it('takes a sequence that came too late after a reconnect for a restart', () => {
    const { stream, counters, live, receiver } = makeLine();
    live(0, 20, 5);
    receiver.reopened();
    // A minute later a converter that runs for 20 s: its count is ahead of the last one seen.
    live(100_000, 20, 65 - 20);
    stream.flush();
    expect(counters['restartsSeen']).toBe(1);
    expect(counters['scansLost']).toBeGreaterThan(59 / period_s);
  });

  it('counts a cable that was out exactly when the converter went on', () => {
    const { blocks, stream, counters, live, receiver } = makeLine();
    live(0, 20, 5);
    receiver.reopened();
    live(50_000, 20, 5);
    stream.flush();
    checkChain(blocks);
    expect(counters).toMatchObject({ restartsSeen: 0, scansLost: 50_000 - 20 * scans });
  });

  it('begins a new clock when the converter stood still', () => {
    const { blocks, live, counters } = makeLine();
    live(0, 40, 5);
    // The same numbering goes on, 3 s late for good.
    live(40 * scans, 400, 5 + 3);
    checkChain(blocks);
    expect(counters['restartsSeen']).toBe(1);
    const last = blocks.at(-1)!;
    expect(Math.abs(last.time_s - (8 + 439 * frame_s))).toBeLessThanOrEqual(last.halfWidth_s);
  });

  it('does not begin one for a reader that slept and catches up', () => {
    const { counters, live, at } = makeLine();
    live(0, 400, 5);
    const frames = Array.from({ length: 200 }, (_, i) => frame((400 + i) * scans));
    at(5 + 600 * frame_s, ...frames);
    live(600 * scans, 400, 5);
    expect(counters).toMatchObject({ restartsSeen: 0, scansLost: 0 });
  });

  it('does not begin one for a reader or a sender that gets too little of the machine', () => {
    const { blocks, counters, live, at } = makeLine();
    live(0, 400, 5);
    // Three seconds in lumps of 0.3 s, each 0.65 to 0.95 s late; then what has piled up is worked off.
    for (let k = 0; k < 10; k++) {
      const frames = Array.from({ length: 60 }, (_, i) => frame((400 + 60 * k + i) * scans));
      for (let i = 0; i < 3; i++)
        at(5 + (400 + 60 * (k + 1)) * frame_s + 0.65 + 1e-3 * i, ...frames.slice(20 * i, 20 * i + 20));
    }
    at(5 + 1150 * frame_s, ...Array.from({ length: 150 }, (_, i) => frame((1000 + i) * scans)));
    live(1150 * scans, 400, 5);
    expect(counters).toMatchObject({ restartsSeen: 0, scansLost: 0, scansDiscarded: 0 });
    for (const { scan, time_s, halfWidth_s } of blocks)
      expect(Math.abs(time_s - (5 + scan * period_s))).toBeLessThanOrEqual(Math.min(halfWidth_s, 2e-3));
  });
});

describe('a second restart before anything of the first was published', () => {
  it('is judged by time: its count is another one than that of the last published scan', () => {
    const counters: Counters = {};
    const blocks: RawBlock[] = [];
    const stream = new ScanStream(channels.length, false, 0.6, counters, (block) => blocks.push(block));
    const read = (index: number, taken_s: number): void => {
      stream.append(index, 100, 1e-3, 0);
      stream.endRead(taken_s);
    };
    for (let i = 0; i < 20; i++) read(1_000_000 + 100 * i, 10 + 0.1 * i);
    stream.restart(11.9);
    // By its own account taken before what is published: thrown away.
    read(0, 11);
    stream.restart(11);
    expect(counters).toMatchObject({ scansDiscarded: 100 });
    expect(stream.resume(100, 12.1)).toBe(true);
    for (let i = 0; i < 20; i++) read(100 + 100 * i, 12.1 + 0.1 * i);
    checkChain(blocks);
    // From 11.9 s, the end of the first count, to 12.0 s.
    expect(counters['scansLost']).toBeGreaterThanOrEqual(90);
    expect(counters['scansLost']).toBeLessThanOrEqual(110);
  });
});

describe('times', () => {
  it('come from the sequence, not from late arrivals', () => {
    const { blocks, live, at } = makeLine();
    live(0, 400, 5);
    at(5 + 401 * frame_s + 0.08, frame(400 * scans));
    const late = blocks.at(-1)!;
    expect(Math.abs(late.time_s - (5 + 400 * frame_s))).toBeLessThan(0.2e-3);
    expect(late.interval_s).toBeCloseTo(period_s, 9);
    expect(late.halfWidth_s).toBeLessThan(1e-3);
  });

  it('wait for the clock at the start, so that a backlog does not shift them', () => {
    const { blocks, live, at } = makeLine();
    at(5.1, ...Array.from({ length: 5 }, (_, i) => frame(i * scans)));
    expect(blocks).toEqual([]);
    live(5 * scans, 230, 5);
    expect(Math.abs(blocks[0].time_s - 5)).toBeLessThanOrEqual(blocks[0].halfWidth_s);
  });

  it('are not shifted for a minute by a start on a busy machine', () => {
    const { blocks, at, live } = makeLine();
    // Lumps of a tenth of a second, each 0.4 s late; then what has piled up is worked off.
    const lump = (k: number, arrival_s: number): void =>
      at(arrival_s, ...Array.from({ length: 20 }, (_, i) => frame((20 * k + i) * scans)));
    for (let k = 0; k < 9; k++) lump(k, 5 + 0.1 * (k + 1) + 0.4);
    for (let k = 9; k < 14; k++) lump(k, 5 + 1.32 + 0.02 * (k - 9));
    live(14 * 20 * scans, 2000, 5);
    for (const { scan, time_s, halfWidth_s } of blocks) {
      const error_s = Math.abs(time_s - (5 + scan * period_s));
      expect(error_s).toBeLessThan(5e-3);
      expect(error_s).toBeLessThanOrEqual(halfWidth_s);
    }
    expect(blocks[0]!.scan).toBe(0);
  });

  it('rise from scan to scan while a backlog is worked off and the clock is led back', () => {
    const { blocks, at, live } = makeLine();
    // Late for longer than the start waits; then reads of 60 frames.
    live(0, 2400, 5.1);
    for (let k = 0; k < 20; k++)
      at(
        5 + (2400 + 60 * (k + 1)) * frame_s,
        ...Array.from({ length: 60 }, (_, i) => frame((2400 + 60 * k + i) * scans)),
      );
    let end_s = 0;
    for (const { time_s, interval_s, scans: length } of blocks) {
      expect(time_s).toBeGreaterThan(end_s);
      end_s = time_s + (length - 1) * interval_s;
    }
    checkChain(blocks);
  });

  it('are vouched for no further than what is known when all reads stay late', () => {
    const { blocks, live, counters } = makeLine();
    const stop_s = 0.4;
    live(0, 1000, 5);
    // The converter stood still, or lost scans that it did not count; what a terminal holds may be as late.
    live(1000 * scans, 1000, 5 + stop_s);
    expect(counters).toMatchObject({ scansLost: 0, restartsSeen: 0 });
    const known_s = 5 + 1000 * frame_s + stop_s + 1.25;
    const later = blocks.filter(({ scan }) => 5 + stop_s + scan * period_s > known_s);
    expect(later.length).toBeGreaterThan(700);
    for (const { scan, time_s, halfWidth_s } of later) {
      expect(Math.abs(time_s - (5 + stop_s + scan * period_s))).toBeLessThanOrEqual(halfWidth_s);
    }
  });

  it('subtract the delay and the time on the wire, unless the wire would be too slow for the stream', () => {
    const bytes = 14 + scans * 6 + 4;
    const first = (characterTime_s: number, delay_s: number): number => {
      const { blocks, stream, live } = makeLine({ delay_s }, characterTime_s);
      live(0, 20, 5);
      stream.flush();
      return blocks[0].time_s - 5;
    };
    expect(first(0, 0)).toBeCloseTo(0, 6);
    expect(first(1e-5, 0)).toBeCloseTo(-bytes * 1e-5, 6);
    expect(first(1e-5, 2e-3)).toBeCloseTo(-bytes * 1e-5 - 2e-3, 6);
    expect(first(1e-3, 0)).toBeCloseTo(0, 6);
  });
});
