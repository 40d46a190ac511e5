import { describe, expect, it } from 'vitest';
import { velocityOfStep_mps } from '../../daemon/hydraulics/joukowsky.ts';
import { monteCarlo, shortestInterval, symmetricInterval } from '../../daemon/statistics/monte-carlo.ts';
import {
  combined,
  correlationOf,
  covarianceOf,
  effectiveDegrees,
  expanded,
  sensitivities,
} from '../../daemon/statistics/propagate.ts';
import { coverageFactor } from '../../daemon/statistics/student.ts';
import { summaryOf } from '../../daemon/statistics/welch.ts';

describe('JCGM 100:2008', () => {
  // G.4.1 (from memory): relative uncertainties 0.25, 0.57, 0.82 % from 10, 5 and 15 readings.
  it('G.4.1: 1.03 %, 19 degrees, t 2.09, 2.2 %', () => {
    const parts = [
      { uncertainty: 0.25, degrees: 9 },
      { uncertainty: 0.57, degrees: 4 },
      { uncertainty: 0.82, degrees: 14 },
    ];
    const u = combined([1, 1, 1], [0.25, 0.57, 0.82]);
    const degrees = effectiveDegrees(parts);
    expect(u.toFixed(2)).toBe('1.03');
    expect(Math.abs(degrees - 18.9987)).toBeLessThan(1e-4);
    expect(coverageFactor(0.95, Math.round(degrees)).toFixed(2)).toBe('2.09');
    expect((coverageFactor(0.95, Math.round(degrees)) * u).toFixed(1)).toBe('2.2');
  });

  // H.1, components in nm as an open library of metrology prints them; GUM prints 32 nm, 16, 2.92, 93 nm (from memory).
  it('H.1, end gauge: 32 nm, 16 degrees, 93 nm', () => {
    const parts = [
      { uncertainty: 25, degrees: 18 },
      { uncertainty: 5.8, degrees: 24 },
      { uncertainty: 3.9, degrees: 5 },
      { uncertainty: 6.7, degrees: 8 },
      { uncertainty: 2.88679, degrees: 50 },
      { uncertainty: 16.599, degrees: 2 },
    ];
    const u = combined(
      parts.map(() => 1),
      parts.map(({ uncertainty }) => uncertainty),
    );
    const degrees = effectiveDegrees(parts);
    expect(Math.abs(u - 31.66388)).toBeLessThan(2e-4);
    expect(Math.abs(degrees - 16.7519)).toBeLessThan(1e-3);
    expect(Math.round(u)).toBe(32);
    expect(Math.floor(degrees)).toBe(16);
    expect(coverageFactor(0.99, 16).toFixed(2)).toBe('2.92');
    expect(Math.abs(expanded(32, degrees, 0.99) - 93)).toBeLessThan(0.5);
  });

  // H.2, data from memory (they reproduce the printed answers): 127.732 (0.071), 219.847 (0.295), 254.260 (0.236).
  it('H.2, resistance and reactance read together', () => {
    const volts = [5.007, 4.994, 5.005, 4.99, 4.999];
    const amperes = [19.663e-3, 19.639e-3, 19.64e-3, 19.685e-3, 19.678e-3];
    const radians = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433];
    const read = [volts, amperes, radians];
    const means = read.map((series) => summaryOf(series).mean);
    const uncertainties = read.map((series) => summaryOf(series).deviation / Math.sqrt(5));
    const correlation = correlationOf(
      read.flatMap((a, i) =>
        read.map((b, j) =>
          a.reduce((sum, value, k) => sum + ((value - means[i]!) * (b[k]! - means[j]!)) / 20, 0),
        ),
      ),
      3,
    );
    const models = [
      ([v, i, phase]: Float64Array) => (v! / i!) * Math.cos(phase!),
      ([v, i, phase]: Float64Array) => (v! / i!) * Math.sin(phase!),
      ([v, i]: Float64Array) => v! / i!,
    ];
    const slopes = models.map((model) => sensitivities(model, means, uncertainties));
    const covariance = covarianceOf(slopes, uncertainties, correlation);
    const values = models.map((model) => model(Float64Array.from(means)));
    const u = [0, 4, 8].map((k) => Math.sqrt(covariance[k]!));
    const expected = [127.7322, 219.8465, 254.2597];
    const expectedUncertainty = [0.0711, 0.2956, 0.2363];
    for (let k = 0; k < 3; k++) {
      expect(Math.abs(values[k]! - expected[k]!)).toBeLessThan(6e-5);
      expect(Math.abs(u[k]! - expectedUncertainty[k]!)).toBeLessThan(6e-5);
    }
    const between = correlationOf(covariance, 3);
    expect(Math.abs(between[1] + 0.5884)).toBeLessThan(6e-5);
    expect(Math.abs(between[2] + 0.4853)).toBeLessThan(6e-5);
    expect(Math.abs(between[5] - 0.9925)).toBeLessThan(6e-5);
  });
});

// Joukowsky's velocity, by (u/V)^2 = (u/step)^2 + (u/density)^2 + (u/a)^2, computed independently.
describe('reverse velocity from a step of 3.00 +- 0.05 bar, a = 1200 +- 24 m/s, density +- 0.1 %', () => {
  const at = [998.207, 1200, 3e5];
  const uncertainties = [0.998207, 24, 5e3];
  const model = ([density, a, step]: Float64Array) => velocityOfStep_mps(density!, a!, step!);

  it('0.250449 m/s, 2.605 %, +-0.01305 m/s with k = 2', () => {
    const u = combined(sensitivities(model, at, uncertainties), uncertainties);
    const value = model(Float64Array.from(at));
    expect(Math.abs(value - 0.250449)).toBeLessThan(1e-6);
    expect(Math.abs(u / value - 0.02605)).toBeLessThan(2e-5);
    expect(Math.abs(2 * u - 0.01305)).toBeLessThan(1e-5);
  });

  it('the same by trials', () => {
    const inputs = at.map((mean, i) => ({ kind: 'normal', mean, uncertainty: uncertainties[i]! }) as const);
    const trials = monteCarlo(model, inputs, 100_000, 7);
    expect(Math.abs(trials.deviation / 0.006525 - 1)).toBeLessThan(0.015);
    const { low, high } = symmetricInterval(trials);
    expect(Math.abs((high - low) / (2 * 1.96 * 0.006525) - 1)).toBeLessThan(0.02);
  });
});

// JCGM 101:2008, section 9 (from memory).
describe('JCGM 101:2008', () => {
  const sum = (inputs: Float64Array) => inputs[0] + inputs[1] + inputs[2] + inputs[3];
  const trials = 200_000;

  it('9.2.2, four normal quantities: u 2.00, -3.92 to 3.92', () => {
    const normal = { kind: 'normal', mean: 0, uncertainty: 1 } as const;
    const found = monteCarlo(sum, [normal, normal, normal, normal], trials, 1);
    const { low, high } = symmetricInterval(found);
    expect(Math.abs(found.deviation - 2)).toBeLessThan(0.015);
    expect(Math.abs(low + 3.92)).toBeLessThan(0.04);
    expect(Math.abs(high - 3.92)).toBeLessThan(0.04);
  });

  it('9.2.3, four rectangles: u 2.00, -3.88 to 3.88', () => {
    const flat = { kind: 'rectangle', low: -Math.sqrt(3), high: Math.sqrt(3) } as const;
    const found = monteCarlo(sum, [flat, flat, flat, flat], trials, 2);
    const { low, high } = symmetricInterval(found);
    expect(Math.abs(found.deviation - 2)).toBeLessThan(0.015);
    expect(Math.abs(low + 3.88)).toBeLessThan(0.03);
    expect(Math.abs(high - 3.88)).toBeLessThan(0.03);
  });

  it('9.2.4, one wide rectangle: u 10.1, -17.0 to 17.0', () => {
    const flat = { kind: 'rectangle', low: -Math.sqrt(3), high: Math.sqrt(3) } as const;
    const wide = { kind: 'rectangle', low: -10 * Math.sqrt(3), high: 10 * Math.sqrt(3) } as const;
    const found = monteCarlo(sum, [flat, flat, flat, wide], trials, 3);
    const { low, high } = symmetricInterval(found);
    expect(Math.abs(found.deviation - 10.15)).toBeLessThan(0.08);
    expect(Math.abs(low + 17)).toBeLessThan(0.15);
    expect(Math.abs(high - 17)).toBeLessThan(0.15);
  });

  // 9.4.2: mismatch of a power meter, both parts 0 +- 0.005: 50e-6, u 50e-6, shortest 0 to 150e-6; the law of
  // propagation says u = 0. Exact here: an exponential quantity of mean 5e-5.
  it('9.4.2, a sum of two squares near 0: lopsided', () => {
    const part = { kind: 'normal', mean: 0, uncertainty: 0.005 } as const;
    const model = ([x, y]: Float64Array) => x! * x! + y! * y!;
    const found = monteCarlo(model, [part, part], trials, 4);
    const shortest = shortestInterval(found);
    const symmetric = symmetricInterval(found);
    expect(Math.abs(found.mean / 5e-5 - 1)).toBeLessThan(0.01);
    expect(Math.abs(found.deviation / 5e-5 - 1)).toBeLessThan(0.015);
    expect(shortest.low).toBeLessThan(2e-7);
    expect(Math.abs(shortest.high / 1.4979e-4 - 1)).toBeLessThan(0.015);
    expect(Math.abs(symmetric.low / (-5e-5 * Math.log(0.975)) - 1)).toBeLessThan(0.06);
    expect(Math.abs(symmetric.high / (-5e-5 * Math.log(0.025)) - 1)).toBeLessThan(0.02);
    expect(combined(sensitivities(model, [0, 0], [0.005, 0.005]), [0.005, 0.005])).toBe(0);
  });
});
