import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import type { RawBlock } from '../../drivers/driver.ts';
import type { BurstSpec, ModbusUnitSpec } from '../../drivers/line-spec.ts';
import { serialFrame, silence_s } from '../../drivers/modbus/protocol.ts';
import { BurstDevice, sampleOf } from '../support/burst-device.ts';
import { channel, unitSpec } from '../support/modbus-rig.ts';
import { rtuPoller, runPoller, VirtualClock, VirtualLine } from '../support/virtual-line.ts';

const ring = (depth: number, more: Partial<Extract<BurstSpec['store'], { kind: 'ring' }>> = {}) =>
  ({
    kind: 'ring',
    table: 'holding',
    address: 100,
    depth,
    index: { address: 0, type: 'uint32', wordOrder: 'ABCD' },
    indexWraps: 2 ** 32,
    ...more,
  }) as const;

interface Setting {
  readonly burst: BurstSpec;
  readonly baud: number;
  readonly drift?: number;
  readonly firstScan?: number;
  readonly turnarounds_s?: readonly number[];
  /** Where in its turnaround each request finds the registers read, as a ratio. */
  readonly readAt?: readonly number[];
  /** Every so many-th request is not answered; 0: all are. */
  readonly lostEvery?: number;
  readonly restartAt_s?: number;
  readonly polled?: ModbusUnitSpec['channels'];
}

/** Reads a simulated device and returns what came of it; each sample is compared with what the device took. */
async function record(setting: Setting) {
  const { burst, baud, drift = 0, firstScan = 0, turnarounds_s = [0.002], lostEvery = 0 } = setting;
  const { readAt = [0.5] } = setting;
  const characterTime_s = 11 / baud;
  const clock = new VirtualClock();
  const device = new BurstDevice({ burst, drift, firstScan });
  let requests = 0;
  let busy_s = 0;
  const line = new VirtualLine(clock, characterTime_s, (frame, end_s) => {
    requests++;
    if (lostEvery > 0 && requests % lostEvery === 0) return null;
    const delay_s = turnarounds_s[requests % turnarounds_s.length]!;
    const read_s = end_s + delay_s * readAt[requests % readAt.length]!;
    const pdu = frame.slice(1, -2);
    const isBurst = pdu[0] !== 4;
    const reply = isBurst ? device.answer(pdu, read_s) : Uint8Array.of(4, 2, 0, 77);
    busy_s += (frame.length + reply.length + 3) * characterTime_s;
    return { bytes: serialFrame(1, reply), delay_s };
  });
  const blocks: RawBlock[] = [];
  let polls = 0;
  const counters: Record<string, number> = {};
  const spec = unitSpec(1, setting.polled ?? [], { burst, poll_s: 0.1, timeout_s: 0.05 });
  const { poller, wire } = rtuPoller([spec], line, silence_s(baud, characterTime_s), clock, counters, {
    reply: () => {
      polls++;
    },
    answering: () => undefined,
  });
  const [reader] = poller.bursts;
  reader!.emit = (block) => blocks.push(block);
  line.receive = (chunk, time_s) => wire.receive(chunk, time_s);
  if (setting.restartAt_s !== undefined) {
    clock.at(setting.restartAt_s, () => device.restart(clock.now_s()));
  }
  await runPoller(poller, clock, 4);
  return { blocks, device, polls, counters: { ...counters, ...reader!.counters }, busy_s };
}

/** Every value is one that the device took; returns the device's number of each block's first scan. */
function scansOf(
  blocks: readonly RawBlock[],
  width: number,
  channels: readonly number[],
  from: number,
): number[] {
  let next = from;
  return blocks.map((block) => {
    // The first value tells the scan modulo 2^15: nearest to where it must be.
    const first = next + block.lostBefore;
    for (let scan = 0; scan < block.scans; scan++) {
      channels.forEach((position, column) => {
        const value = block.raw[scan * channels.length + column];
        if (value !== sampleOf(first + scan, position)) {
          throw new Error(
            `scan ${first + scan}: ${value} of ${width}, not ${sampleOf(first + scan, position)}`,
          );
        }
      });
    }
    next = first + block.scans;
    return first;
  });
}

const channelsAt = (...positions: readonly number[]): BurstSpec['channels'] =>
  positions.map((position) => ({ id: `c${position}`, position, type: 'int16' }));

/** Few counts, all read soon after a scan in turn: a clock that trusts how they fall takes them for a drift. */
const unluckyReads = {
  baud: 57_600,
  width: 1,
  rate_Hz: 88,
  depth: 128,
  drift_ppm: 0,
  firstScan: 0,
  turnarounds_ms: [1, 6, 8],
  readAt: [0.5],
};

describe('bursts, in simulated time', () => {
  it.each([
    [
      'at tens of hertz',
      { bauds: [57_600, 115_200, 921_600], widest: 8, rates_Hz: [20, 150], depths: [128, 1024] },
    ],
    ['at kilohertz', { bauds: [921_600], widest: 2, rates_Hz: [200, 3000], depths: [4096, 8192] }],
  ] as const)('bring every scan once, in order, at the instant it was taken, %s', async (_what, range) => {
    let samples = 0;
    const isSlow = range.rates_Hz[0] < 100;
    await fc.assert(
      fc.asyncProperty(
        fc.record({
          baud: fc.constantFrom(...range.bauds),
          width: fc.integer({ min: 1, max: range.widest }),
          rate_Hz: fc.integer({ min: range.rates_Hz[0], max: range.rates_Hz[1] }),
          depth: fc.constantFrom(...range.depths),
          // Crystals and ceramic resonators.
          drift_ppm: fc.oneof(fc.integer({ min: -200, max: 200 }), fc.integer({ min: -5000, max: 5000 })),
          firstScan: fc.integer({ min: 0, max: 100_000 }),
          turnarounds_ms: fc.array(fc.integer({ min: 1, max: 8 }), { minLength: 1, maxLength: 5 }),
          readAt: fc.array(fc.double({ min: 0, max: 1, noNaN: true }), { minLength: 1, maxLength: 7 }),
        }),
        async ({ baud, width, rate_Hz, depth, drift_ppm, firstScan, turnarounds_ms, readAt }) => {
          const positions = Array.from({ length: width }, (_, i) => i);
          const burst: BurstSpec = { store: ring(depth), width, rate_Hz, channels: channelsAt(...positions) };
          const turnarounds_s = turnarounds_ms.map((ms) => ms / 1000);
          const drift = drift_ppm * 1e-6;
          const { blocks, device, counters } = await record({
            burst,
            baud,
            drift,
            firstScan,
            turnarounds_s,
            readAt,
          });
          const first = blocks[0]!;
          // What stood in the ring before is old: the first scan is told by the device's own time.
          const period_s = device.timeOf_s(1) - device.timeOf_s(0);
          const start = Math.round((first.time_s - device.timeOf_s(0)) / period_s);
          const most = isSlow ? 3 : 60;
          const near = Array.from({ length: 2 * most + 1 }, (_, k) => start - most + k);
          const from = near.find((scan) => sampleOf(scan, 0) === first.raw[0])!;
          const firsts = scansOf(blocks, width, positions, from);
          blocks.forEach((block, i) => {
            samples += block.scans;
            for (const scan of [0, block.scans - 1]) {
              const error_s = block.time_s + scan * block.interval_s - device.timeOf_s(firsts[i]! + scan);
              expect(Math.abs(error_s)).toBeLessThanOrEqual(block.halfWidth_s);
            }
          });
          expect(blocks.every((block) => block.lostBefore === 0)).toBe(true);
          expect(counters['blocksDiscarded']).toBe(0);
          const last = blocks.at(-1)!;
          expect(last.time_s + last.scans / rate_Hz).toBeGreaterThan(3.6);
        },
      ),
      { numRuns: 60, examples: isSlow ? [[unluckyReads]] : [] },
    );
    expect(samples).toBeGreaterThan(10_000);
  });

  it('count what the ring could not keep, to the scan, when the line is too slow', async () => {
    const burst: BurstSpec = { store: ring(512), width: 1, rate_Hz: 4000, channels: channelsAt(0) };
    const { blocks, counters } = await record({ burst, baud: 19_200 });
    const first = blocks[0]!.raw[0]! / 7;
    scansOf(blocks, 1, [0], Math.round(first));
    expect(counters['blocksDiscarded']).toBeGreaterThan(3);
    expect(counters['scansLost']).toBeGreaterThan(1000);
    const received = blocks.reduce((sum, { scans }) => sum + scans, 0);
    const last = blocks.at(-1)!;
    expect(last.scan + last.scans).toBe(received + counters['scansLost']!);
  });

  it('reach 4000 scans/s through 115 200 baud', async () => {
    const burst: BurstSpec = { store: ring(4096), width: 1, rate_Hz: 4000, channels: channelsAt(0) };
    const { blocks, counters } = await record({ burst, baud: 115_200, turnarounds_s: [0.00175] });
    scansOf(blocks, 1, [0], Math.round(blocks[0]!.raw[0]! / 7));
    expect(counters['scansLost']).toBe(0);
    expect(blocks.reduce((sum, { scans }) => sum + scans, 0)).toBeGreaterThan(3.7 * 4000);
  });

  it('lose nothing by lost replies while the ring is deep enough', async () => {
    const burst: BurstSpec = { store: ring(1024), width: 2, rate_Hz: 200, channels: channelsAt(0, 1) };
    const { blocks, counters } = await record({ burst, baud: 115_200, lostEvery: 7 });
    scansOf(blocks, 2, [0, 1], Math.round(blocks[0]!.raw[0]! / 7));
    expect(counters['requestsTimedOut']).toBeGreaterThan(5);
    expect(counters['scansLost']).toBe(0);
  });

  it('see a device that begins anew, and judge the gap by time', async () => {
    const burst: BurstSpec = { store: ring(1024), width: 1, rate_Hz: 500, channels: channelsAt(0) };
    const { blocks, counters } = await record({ burst, baud: 115_200, firstScan: 50_000, restartAt_s: 2 });
    expect(counters['restartsSeen']).toBe(1);
    const last = blocks.at(-1)!;
    expect(last.scan + last.scans).toBeGreaterThan(3.8 * 500);
    expect(last.scan + last.scans).toBeLessThan(4.1 * 500);
  });

  it('see it also where a 16 bit index was about to wrap', async () => {
    const store = ring(1024, {
      index: { address: 0, type: 'uint16', wordOrder: 'ABCD' },
      indexWraps: 65_536,
    });
    const burst: BurstSpec = { store, width: 1, rate_Hz: 1000, channels: channelsAt(0) };
    const { blocks, counters } = await record({ burst, baud: 115_200, firstScan: 63_000, restartAt_s: 2 });
    expect(counters['restartsSeen']).toBe(1);
    const last = blocks.at(-1)!;
    expect(last.scan + last.scans).toBeLessThan(4.1 * 1000);
    expect(last.time_s + last.scans * last.interval_s).toBeLessThan(4.1);
  });

  it('go on where a 16 bit index wraps', async () => {
    const store = ring(1024, {
      index: { address: 0, type: 'uint16', wordOrder: 'ABCD' },
      indexWraps: 65_536,
    });
    const burst: BurstSpec = { store, width: 1, rate_Hz: 1000, channels: channelsAt(0) };
    const { blocks, counters } = await record({ burst, baud: 115_200, firstScan: 64_000 });
    scansOf(blocks, 1, [0], 64_000 + Math.round(blocks[0]!.time_s * 1000));
    expect(counters['scansLost']).toBe(0);
    expect(counters['restartsSeen']).toBe(0);
  });

  it('come from a queue as well, and tell by its numbers what a lost reply took along', async () => {
    const burst: BurstSpec = {
      store: { kind: 'queue', address: 0 },
      width: 3,
      rate_Hz: 200,
      channels: channelsAt(0, 2),
    };
    const whole = await record({ burst, baud: 115_200 });
    scansOf(whole.blocks, 3, [0, 2], whole.blocks[0]!.scan + Math.round(whole.blocks[0]!.raw[0]! / 7));
    expect(whole.counters['scansLost']).toBe(0);
    expect(whole.blocks.reduce((sum, { scans }) => sum + scans, 0)).toBeGreaterThan(3.5 * 200);
  });

  it('leave polls of the same unit their turn', async () => {
    const burst: BurstSpec = { store: ring(4096), width: 1, rate_Hz: 4000, channels: channelsAt(0) };
    const polled = [channel('input', 9)];
    const { polls, counters } = await record({ burst, baud: 115_200, polled, turnarounds_s: [0.00175] });
    expect(polls).toBeGreaterThanOrEqual(38);
    expect(counters['slotsLost']).toBeLessThanOrEqual(1);
  });
});
