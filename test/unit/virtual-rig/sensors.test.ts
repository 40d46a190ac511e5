import { describe, expect, it } from 'vitest';
import { Random } from '../../../daemon/virtual-rig/random.ts';
import { Sensor, type SensorSpec } from '../../../daemon/virtual-rig/sensors.ts';
import { baseRig, springValve } from '../../support/base-rig.ts';
import { FakePlant } from '../../support/fake-plant.ts';

const plain: SensorSpec = {
  id: 'PT',
  signal: 'outlet',
  of: 0,
  lag_s: 0,
  noise: 0,
  hum: 0,
  hum_Hz: 50,
  offset: 0,
  gain_ratio: 1,
  range: [-1e5, 24e5],
  bits: null,
  update_s: 0,
};

function make(changes: Partial<SensorSpec>, pressure_Pa: (time_s: number) => number = () => 0) {
  const plant = new FakePlant({ ...baseRig(springValve), dt_s: 2e-4 });
  plant.onStep = ({ time_s, legs }) => {
    legs[0]!.outlet_Pa = pressure_Pa(time_s);
  };
  plant.legs[0]!.outlet_Pa = pressure_Pa(0);
  const sensor = new Sensor({ ...plain, ...changes }, plant, new Random(7));
  const run = (steps: number, each: () => void = () => undefined) => {
    for (let i = 0; i < steps; i++) {
      plant.step();
      sensor.follow();
      each();
    }
  };
  return { plant, sensor, run };
}

describe('a sensor', () => {
  it('follows a ramp with the exact lag, between steps too', () => {
    const slope = 3e6;
    const lag_s = 1e-3;
    const { plant, sensor, run } = make({ lag_s }, (time_s) => slope * time_s);
    /** Response of a first-order lag to a ramp from rest. */
    const exact = (t_s: number) => slope * (t_s - lag_s * (1 - Math.exp(-t_s / lag_s)));
    run(40, () => {
      expect(sensor.lagged(1)).toBeCloseTo(exact(plant.time_s), 6);
      expect(sensor.lagged(0)).toBeCloseTo(exact(plant.time_s - plant.dt_s), 6);
    });
  });

  it('answers a step within one plant step as the exponential does, whatever the step', () => {
    const lag_s = 0.5e-3;
    const { sensor, run, plant } = make({ lag_s }, (time_s) => (time_s > 0 ? 1e5 : 0));
    run(1);
    // The step is a ramp over one step of the plant; afterwards the remainder decays by exp(-t / lag).
    const first = 1e5 - sensor.lagged(1);
    run(10);
    expect((1e5 - sensor.lagged(1)) / first).toBeCloseTo(Math.exp((-10 * plant.dt_s) / lag_s), 9);
  });

  it('adds offset, gain, hum and noise', () => {
    const quiet = make({ offset: 500, gain_ratio: 1.01 }, () => 2e5);
    expect(quiet.sensor.read(0, 1)).toBeCloseTo(2e5 * 1.01 + 500, 6);
    const readings: number[] = [];
    const loud = make({ noise: 1000, hum: 300, hum_Hz: 50 }, () => 2e5);
    loud.run(5000, () => readings.push(loud.sensor.read(loud.plant.time_s, 1) - 2e5));
    const mean = readings.reduce((a, b) => a + b) / readings.length;
    const square = readings.reduce((sum, value) => sum + value ** 2, 0) / readings.length;
    expect(Math.abs(mean)).toBeLessThan(60);
    expect(square / (1000 ** 2 + 300 ** 2 / 2)).toBeCloseTo(1, 1);
    // Mains hum: the part in phase and in quadrature with 50 Hz is its amplitude.
    const part = (shape: (x: number) => number) =>
      (2 / readings.length) *
      readings.reduce((sum, v, i) => sum + v * shape(2 * Math.PI * 50 * (i + 1) * 2e-4), 0);
    expect(Math.hypot(part(Math.sin), part(Math.cos))).toBeGreaterThan(240);
    expect(Math.hypot(part(Math.sin), part(Math.cos))).toBeLessThan(360);
  });

  it('resolves as many steps as it has bits and stops at the ends of its range', () => {
    const { sensor, run, plant } = make({ bits: 10 }, (time_s) => 1e6 * time_s * 50 - 2e5);
    const seen = new Set<number>();
    run(300, () => seen.add(sensor.count(plant.time_s, 1, 16)));
    expect(Math.min(...seen)).toBe(-32_768);
    expect(Math.max(...seen)).toBe(32_767);
    const sorted = [...seen].sort((a, b) => a - b);
    const gaps = sorted.slice(1).map((value, i) => (value - sorted[i]!) / (65_535 / 1023));
    for (const gap of gaps) expect(Math.abs(gap - Math.round(gap))).toBeLessThan(0.02);
    expect(sensor.readingsClipped).toBeGreaterThan(0);
  });

  it('counts in 24 bits over the same range', () => {
    const { sensor } = make({}, () => 11.5e5);
    expect(sensor.count(0, 1, 24)).toBe(0);
  });

  it('renews its value only as often as the instrument does', () => {
    const { sensor, run, plant } = make({ update_s: 0.01 }, (time_s) => 1e5 * time_s);
    const seen = new Set<number>();
    run(1000, () => seen.add(sensor.read(plant.time_s, 1)));
    expect(seen.size).toBeGreaterThanOrEqual(20);
    expect(seen.size).toBeLessThanOrEqual(21);
  });

  it('can be clipped, frozen and spiky, and recover', () => {
    const { sensor, run, plant } = make({}, (time_s) => 5e5 + 1e6 * time_s);
    const read = () => sensor.read(plant.time_s, 1);
    run(1);
    const before = read();
    sensor.setFault({ kind: 'frozen' });
    run(100);
    expect(read()).toBe(before);
    sensor.setFault({ kind: 'clipped', range: [0, 4e5] });
    run(1);
    expect(read()).toBe(4e5);
    sensor.setFault({ kind: 'none' });
    expect(read()).toBeCloseTo(5e5 + 1e6 * plant.time_s, 3);
  });

  it('makes spikes of one to three readings', () => {
    const { sensor, run, plant } = make({}, () => 0);
    sensor.setFault({ kind: 'spikes', rate_Hz: 50, height: 8e5 });
    const lengths: number[] = [];
    let length = 0;
    run(20_000, () => {
      if (Math.abs(sensor.read(plant.time_s, 1)) > 1e4) length++;
      else {
        if (length > 0) lengths.push(length);
        length = 0;
      }
    });
    // 50 a second for 4 s; two spikes seldom touch.
    expect(lengths.length).toBeGreaterThan(140);
    expect(lengths.length).toBeLessThan(260);
    expect(lengths.filter((count) => count > 3).length).toBeLessThan(0.1 * lengths.length);
    expect(new Set(lengths.filter((count) => count <= 3))).toEqual(new Set([1, 2, 3]));
  });

  it('makes the same noise from the same seed', () => {
    const a = make({ noise: 100 });
    const b = make({ noise: 100 });
    expect(a.sensor.read(0, 1)).toBe(b.sensor.read(0, 1));
  });
});
