import { describe, expect, it } from 'vitest';
import { Rig } from '../../../daemon/virtual-rig/rig.ts';
import { loadRigFile } from '../../../daemon/virtual-rig/rig-file.ts';
import type { RigSpec } from '../../../daemon/virtual-rig/rig-spec.ts';
import { FrameDecoder } from '../../../drivers/serial-frames/frame.ts';
import { FakePlant } from '../../support/fake-plant.ts';

const demo = loadRigFile('config/demo.rig.yaml');

const make = (changes: Partial<RigSpec> = {}) =>
  new Rig({ ...demo, ...changes }, { trip: () => undefined }, (plant) => new FakePlant(plant));

describe('a rig', () => {
  it('runs to the instant it is told, a bounded number of steps at a time', () => {
    const rig = make();
    expect(rig.advance(0.1, 100)).toBe(false);
    expect(rig.plant.time_s).toBeCloseTo(0.02, 9);
    while (!rig.advance(0.1, 100));
    expect(rig.plant.time_s).toBeCloseTo(0.1, 3);
    expect(rig.advance(0.1, 100)).toBe(true);
  });

  it('puts one frame every 5 ms on the wire of its converter', () => {
    const rig = make();
    const { wire, converter } = rig.face('stream');
    let bytes = 0;
    for (let tick = 1; tick <= 200; tick++) {
      rig.advance(tick * 0.005 + 0.0005, 1e6);
      wire.take(tick * 0.005 + 0.0005, (part) => {
        bytes += part.length;
      });
    }
    expect(converter!.scansTaken).toBe(5002);
    // 14 header, 25 x (2 + 6 x 2) and 4 CRC bytes a frame; the last one is still on its way.
    expect(bytes).toBeGreaterThanOrEqual(199 * 368);
    expect(bytes).toBeLessThanOrEqual(200 * 368);
  });

  it('answers reads with what its sensors show', () => {
    const rig = make();
    rig.advance(0.5, 1e6);
    const { bus } = rig.face('bus');
    // Unit 1, input registers 4 and 5: tank pressure as float32 in bar.
    bus!.receive(Uint8Array.of(1, 4, 0, 4, 0, 2, 0x30, 0x0a), 0.5);
    const reply = bus!.finish(0.501)!.bytes;
    expect(new DataView(reply.buffer).getFloat32(3)).toBeCloseTo(3, 1);
  });

  it('jumps over a hold-up without running the plant', () => {
    const rig = make();
    rig.advance(0.1, 1e6);
    const steps_s = rig.plant.time_s;
    const scans = rig.face('stream').converter!.scansTaken;
    rig.skip(2);
    expect(rig.plant.time_s).toBe(steps_s);
    expect(rig.time_s).toBeCloseTo(steps_s + 2, 9);
    expect(rig.face('stream').converter!.scansTaken).toBe(scans + 10_000);
  });

  it('says when a trip was shown on the wire, also after a hold-up that came later', () => {
    const shown_s: number[] = [];
    const rig = new Rig(
      demo,
      {
        trip: ({ driveLost_s, contactOpened_s }) =>
          shown_s.push(rig.shown_s(driveLost_s), rig.shown_s(contactOpened_s)),
      },
      (plant) => new FakePlant(plant),
    );
    const { wire, converter } = rig.face('stream');
    const { rate_Hz, clockError_ratio } = converter!.spec;
    const opened_s: number[] = [];
    let isRunning = false;
    const decoder = new FrameDecoder({});
    let now_s = 0;
    const run = (until_s: number) => {
      for (; now_s < until_s; now_s += 0.01) {
        rig.advance(now_s, 1e6);
        wire.take(now_s, (part) =>
          decoder.push(part, ({ sequence, scans, digital }) => {
            for (const [i, word] of digital.subarray(0, scans).entries()) {
              const runs = (word & 1) === 1;
              if (isRunning && !runs) opened_s.push((sequence + i + 1) / (rate_Hz * (1 + clockError_ratio)));
              isRunning = runs;
            }
          }),
        );
      }
    };
    const holdUp = (duration_s: number) => {
      rig.skip(duration_s);
      now_s += duration_s;
    };
    const untilFilling = () => {
      while (rig.phase !== 'filling') run(now_s + 0.1);
      run(now_s + 0.3);
    };
    untilFilling();
    holdUp(0.5);
    const lost_s = rig.time_s;
    rig.trip();
    run(now_s + 0.1);
    holdUp(1.5);
    run(now_s + 0.1);
    holdUp(0.25);
    while (shown_s.length === 0) run(now_s + 0.1);
    expect(shown_s[0]).toBeCloseTo(lost_s, 2);
    expect(opened_s).toHaveLength(1);
    expect(Math.abs(shown_s[1]! - opened_s[0]!)).toBeLessThan(1e-3);
  });

  it('switches faults by name and says what is allowed', () => {
    const rig = make({ faults: [{ line: 'bus', lostBytes_ratio: 0.5 }] });
    expect(rig.face('bus').wire.faults).toEqual({ bitErrors_ratio: 0, lostBytes_ratio: 0.5 });
    rig.setFault({ line: 'bus', unit: 1, isDead: true });
    expect(() => rig.setFault({ line: 'nowhere' })).toThrow('no line nowhere; allowed: bus, stream');
    expect(() => rig.setFault({ line: 'stream', unit: 1 })).toThrow('line stream has no units');
    expect(() => rig.setFault({ sensor: 'PT-1', fault: { kind: 'frozen' } })).toThrow(
      'no sensor PT-1; allowed: PT-101',
    );
  });

  it('refuses faces whose sensors are not there', () => {
    const [bus, stream] = demo.lines;
    if (stream?.face !== 'converter') throw new Error('the demo has a converter second');
    expect(() => make({ lines: [bus!, { ...stream, channels: ['PT-7'] }] })).toThrow('no sensor PT-7');
    expect(() => make({ sensors: demo.sensors.slice(0, 6) })).toThrow('no sensor FT-101');
  });
});

describe('the demo rig', () => {
  it('trips each leg in turn, one valve closing late and softly, the other at once', () => {
    const records: { leg: string; closing_s: number; reverse_mps: number; approach_mps: number }[] = [];
    const rig = new Rig(demo, {
      trip: ({ truths, driveLost_s }) => {
        for (const { leg, seating_s, largestReverseVelocity_mps, approachVelocity_mps } of truths) {
          records.push({
            leg,
            closing_s: seating_s! - driveLost_s,
            reverse_mps: largestReverseVelocity_mps,
            approach_mps: approachVelocity_mps,
          });
        }
      },
    });
    for (let time_s = 1; records.length < 2 && time_s < 60; time_s++) rig.advance(time_s, 1e6);
    expect(records.map(({ leg }) => leg)).toEqual(['A', 'B']);
    const [a, b] = records;
    expect(a!.approach_mps).toBeGreaterThan(2.5);
    expect(a!.approach_mps / b!.approach_mps).toBeCloseTo(1, 1);
    expect(a!.closing_s).toBeGreaterThan(0.5);
    expect(a!.reverse_mps).toBeGreaterThan(1);
    expect(b!.closing_s).toBeLessThan(0.4);
    expect(b!.reverse_mps).toBeLessThan(0.15);
  });
});
