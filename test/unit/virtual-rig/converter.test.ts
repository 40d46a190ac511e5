import { describe, expect, it } from 'vitest';
import { Converter, type ConverterSpec } from '../../../daemon/virtual-rig/converter.ts';
import { Random } from '../../../daemon/virtual-rig/random.ts';
import { Sensor } from '../../../daemon/virtual-rig/sensors.ts';
import { FrameDecoder } from '../../../drivers/serial-frames/frame.ts';
import { baseRig, springValve } from '../../support/base-rig.ts';
import { FakePlant } from '../../support/fake-plant.ts';

interface Taken {
  readonly sequence: number;
  readonly time_s: number;
  readonly isOverRange: boolean;
  readonly digital: number[];
  readonly samples: number[];
}

/** Runs a converter on a plant whose outlet pressure is `pressure_Pa(time)`, and decodes its frames. */
function run(changes: Partial<ConverterSpec>, steps: number, pressure_Pa: (time_s: number) => number) {
  const plant = new FakePlant({ ...baseRig(springValve), dt_s: 2e-4 });
  plant.onStep = ({ time_s, legs }) => {
    legs[0]!.outlet_Pa = pressure_Pa(time_s);
    legs[0]!.inlet_Pa = -pressure_Pa(time_s);
  };
  const spec: ConverterSpec = {
    rate_Hz: 5000,
    clockError_ratio: 0,
    scansPerFrame: 25,
    isWide: false,
    ...changes,
  };
  const sensors = (['outlet', 'inlet'] as const).map(
    (signal) =>
      new Sensor(
        {
          id: signal,
          signal,
          of: 0,
          lag_s: 0,
          noise: 0,
          hum: 0,
          hum_Hz: 50,
          offset: 0,
          gain_ratio: 1,
          range: [-32_768, 32_767],
          bits: null,
          update_s: 0,
        },
        plant,
        new Random(1),
      ),
  );
  const converter = new Converter(spec, sensors, 0);
  const counters: Record<string, number> = {};
  const decoder = new FrameDecoder(counters);
  const frames: Taken[] = [];
  const contacts = { runContact: 1, pressureSwitch: 0 } as { runContact: 0 | 1; pressureSwitch: 0 | 1 };
  const step = () => {
    plant.step();
    for (const sensor of sensors) sensor.follow();
    contacts.runContact = plant.time_s < 0.0101 ? 1 : 0;
    contacts.pressureSwitch = plant.time_s < 0.0101 ? 0 : 1;
    converter.follow(plant.time_s, plant.dt_s, contacts, (bytes, time_s) => {
      decoder.push(bytes, (frame) => {
        frames.push({
          sequence: frame.sequence,
          time_s,
          isOverRange: frame.isOverRange,
          digital: [...frame.digital.subarray(0, frame.scans)],
          samples: [...frame.samples.subarray(0, frame.scans * frame.channels)],
        });
      });
    });
  };
  for (let i = 0; i < steps; i++) step();
  expect(counters).toMatchObject({ crcErrorsSeen: 0, bytesSkipped: 0, framesReceived: frames.length });
  return { frames, converter, step };
}

describe('the converter', () => {
  it('samples every step and sends whole frames in sequence', () => {
    const { frames } = run({}, 100, (time_s) => Math.round(time_s * 5000));
    expect(frames.map(({ sequence }) => sequence)).toEqual([0, 25, 50, 75]);
    expect(frames[1]!.samples.slice(0, 4)).toEqual([26, -26, 27, -27]);
    expect(frames[1]!.time_s).toBeCloseTo(50 * 2e-4, 12);
  });

  it('puts the contacts into bits 0 and 1 of every scan', () => {
    const { frames } = run({}, 75, () => 0);
    expect(new Set(frames[0]!.digital)).toEqual(new Set([1]));
    expect(frames[2]!.digital[0]).toBe(2);
  });

  it('sends int24 where asked, with the range over all of it', () => {
    const { frames } = run({ isWide: true, scansPerFrame: 4 }, 4, () => 32_767);
    expect(frames[0]!.samples[0]).toBe(2 ** 23 - 1);
  });

  it('flags an end of the range', () => {
    const { frames } = run({ scansPerFrame: 5 }, 10, (time_s) => (time_s > 0.00101 ? 1e6 : 0));
    expect(frames.map(({ isOverRange }) => isOverRange)).toEqual([false, true]);
    expect(frames[1]!.samples[0]).toBe(32_767);
  });

  it('runs by its own clock: fast by 200 ppm it gains 2 scans in 10 000 and samples between the steps', () => {
    const { frames, converter } = run({ clockError_ratio: 2e-4 }, 10_001, (time_s) => 3000 * time_s * 5);
    expect(converter.scansTaken).toBe(10_003);
    const last = frames.at(-1)!;
    const expected = 15_000 * last.time_s;
    expect(last.samples.at(-2)).toBeGreaterThan(expected - 0.6);
    expect(last.samples.at(-2)).toBeLessThan(expected + 0.6);
  });

  it('may be slower than the plant', () => {
    const { frames } = run({ rate_Hz: 1000, scansPerFrame: 10 }, 100, (time_s) => time_s * 1e6);
    expect(frames.map(({ samples }) => samples[0])).toEqual([1000, 11_000]);
  });

  it('leaves scans out after a hold-up, and its sequence shows them', () => {
    const { frames, converter, step } = run({}, 30, () => 0);
    converter.skip(1);
    for (let i = 0; i < 25; i++) step();
    expect(frames.map(({ sequence }) => sequence)).toEqual([0, 5030]);
  });
});
