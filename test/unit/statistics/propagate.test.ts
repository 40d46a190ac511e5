import { describe, expect, it } from 'vitest';
import {
  type Input,
  monteCarlo,
  monteCarloCorrelated,
  shortestInterval,
  symmetricInterval,
  uniformFrom,
} from '../../../daemon/statistics/monte-carlo.ts';
import {
  combined,
  correlationOf,
  covarianceOf,
  effectiveDegrees,
  expanded,
  sensitivities,
} from '../../../daemon/statistics/propagate.ts';

const identity = ([x]: Float64Array) => x!;

describe('propagation', () => {
  it('finds the slopes of a model, and 0 for an exact input', () => {
    const product = ([x, y, z]: Float64Array) => x! * y! + z!;
    const slopes = sensitivities(product, [3, 4, 0], [0.1, 0.2, 0]);
    expect(slopes[0]).toBeCloseTo(4, 12);
    expect(slopes[1]).toBeCloseTo(3, 12);
    expect(slopes[2]).toBe(0);
  });

  it('adds fully correlated parts as they are', () => {
    expect(combined([1, 1], [3, 4])).toBe(5);
    expect(combined([1, 1], [3, 4], [1, 1, 1, 1])).toBe(7);
    expect(combined([1, -1], [3, 4], [1, 1, 1, 1])).toBe(1);
    expect(combined([1, -1], [4, 4], [1, 1, 1, 1])).toBe(0);
  });

  it('correlates results that share an input', () => {
    const covariance = covarianceOf(
      [
        [1, 1, 0],
        [1, 0, 1],
      ],
      [2, 1, 1],
    );
    expect([...covariance]).toEqual([5, 4, 4, 5]);
    expect([...correlationOf(covariance, 2)]).toEqual([1, 0.8, 0.8, 1]);
    expect([...correlationOf([0, 0, 0, 1], 2)]).toEqual([1, 0, 0, 1]);
  });

  it('counts degrees of freedom', () => {
    expect(effectiveDegrees([{ uncertainty: 2, degrees: 7 }])).toBe(7);
    expect(effectiveDegrees([{ uncertainty: 2, degrees: Infinity }])).toBe(Infinity);
    expect(effectiveDegrees([])).toBe(Infinity);
    expect(expanded(1)).toBeCloseTo(1.96, 3);
    expect(expanded(1, 4.9)).toBeCloseTo(2.776445, 6);
    expect(expanded(1, 0.7)).toBeCloseTo(12.7062, 4);
  });

  it('refuses what is no uncertainty and no correlation', () => {
    expect(() => combined([1], [1, 2])).toThrow('1 numbers found, 2 allowed');
    expect(() => combined([1], [-1])).toThrow('uncertainty 0: -1 found');
    expect(() => combined([1, 1], [1, 1], [1, 0.5, 0.4, 1])).toThrow('correlation [0, 1]: 0.5 found');
    expect(() => combined([1, 1], [1, 1], [1, 2, 2, 1])).toThrow('correlation [0, 1]: 2 found');
    expect(() => combined([1, 1], [1, 1], [0.9, 0, 0, 1])).toThrow('correlation [0, 0]: 0.9 found');
    const impossible = [1, -0.9, -0.9, -0.9, 1, -0.9, -0.9, -0.9, 1];
    expect(() => combined([1, 1, 1], [1, 1, 1], impossible)).toThrow('negative square');
    expect(() => effectiveDegrees([{ uncertainty: 1, degrees: 0 }])).toThrow('0 found');
  });
});

describe('trials', () => {
  it('repeat with the seed and differ without', () => {
    const input: Input = { kind: 'normal', mean: 1, uncertainty: 2 };
    const [a, b, c] = [5, 5, 6].map((seed) => monteCarlo(identity, [input], 1000, seed).sorted);
    expect(a).toEqual(b);
    expect(a).not.toEqual(c);
  });

  it('draw numbers between 0 and 1, evenly', () => {
    const uniform = uniformFrom(1);
    const tenths = new Float64Array(10);
    for (let k = 0; k < 100_000; k++) {
      const x = uniform();
      expect(x > 0 && x < 1).toBe(true);
      tenths[Math.floor(10 * x)]++;
    }
    // Chi-squared with 9 degrees of freedom: 27.9 is passed once in a thousand seeds; this seed is fixed.
    expect(tenths.reduce((sum, n) => sum + (n - 10_000) ** 2 / 10_000, 0)).toBeLessThan(27.9);
  });

  it.each<[Input, number, number, number]>([
    [{ kind: 'normal', mean: 2, uncertainty: 3 }, 2, 3, 1.96 * 3],
    [{ kind: 'rectangle', low: -1, high: 5 }, 2, 6 / Math.sqrt(12), 2.85],
    [{ kind: 'triangle', low: -1, high: 5 }, 2, 6 / Math.sqrt(24), 3 * (1 - Math.sqrt(0.05))],
    [{ kind: 'student', mean: 2, uncertainty: 1, degrees: 4 }, 2, Math.SQRT2, 2.776],
    [{ kind: 'student', mean: 2, uncertainty: 1, degrees: 1 }, 2, Number.NaN, 12.706],
  ])('of %j have its mean, deviation and interval', (input, mean, deviation, half) => {
    const trials = monteCarlo(identity, [input], 100_000, 11);
    const { low, high } = symmetricInterval(trials);
    if (!Number.isNaN(deviation)) {
      expect(Math.abs(trials.mean - mean)).toBeLessThan(0.02 * deviation);
      expect(Math.abs(trials.deviation / deviation - 1)).toBeLessThan(0.04);
    }
    expect(Math.abs((high - low) / (2 * half) - 1)).toBeLessThan(0.03);
    expect(Math.abs((high + low) / 2 - mean)).toBeLessThan(0.05 * half);
  });

  // Quartiles of one degree of freedom are -1 and 1, of two +-sqrt(2/3), of 1.5 by SciPy; 1e5 trials place them to 0.005.
  it.each([
    [1, 1],
    [2, Math.sqrt(2 / 3)],
    [1.5, 0.8726],
  ])('of Student with %d degrees have quartiles at +-%d', (degrees, quartile) => {
    const trials = monteCarlo(identity, [{ kind: 'student', mean: 0, uncertainty: 1, degrees }], 100_000, 12);
    const { low, high } = symmetricInterval(trials, 0.5);
    expect(Math.abs(low + quartile)).toBeLessThan(0.015);
    expect(Math.abs(high - quartile)).toBeLessThan(0.015);
  });

  it('keep correlations', () => {
    const difference = ([x, y]: Float64Array) => x! - y!;
    const found = monteCarloCorrelated(difference, [5, 3], [4, 1.8, 1.8, 1], 50_000, 2);
    expect(Math.abs(found.mean - 2)).toBeLessThan(0.03);
    expect(Math.abs(found.deviation / Math.sqrt(4 + 1 - 3.6) - 1)).toBeLessThan(0.02);
    const exact = monteCarloCorrelated(difference, [5, 3], [4, 0, 0, 0], 1000, 2);
    expect(Math.abs(exact.deviation - 2)).toBeLessThan(0.15);
  });

  it('give the shortest interval of a lopsided result', () => {
    const trials = monteCarlo(
      ([x]: Float64Array) => -Math.log(x!),
      [{ kind: 'rectangle', low: 0, high: 1 }],
      50_000,
      3,
    );
    const shortest = shortestInterval(trials);
    const symmetric = symmetricInterval(trials);
    expect(shortest.low).toBeLessThan(0.005);
    expect(shortest.high).toBeLessThan(symmetric.high);
    const inside = trials.sorted.filter((x) => x >= shortest.low && x <= shortest.high).length;
    expect(Math.abs(inside / 50_000 - 0.95)).toBeLessThan(1e-4);
    const mirrored = shortestInterval({ ...trials, sorted: trials.sorted.map((x) => -x).reverse() });
    expect(mirrored.low).toBeCloseTo(-shortest.high, 12);
    expect(mirrored.high).toBeCloseTo(-shortest.low, 12);
  });

  it('refuse what is no distribution, no model and too few of them', () => {
    expect(() => monteCarlo(identity, [{ kind: 'rectangle', low: 1, high: 0 }], 1000, 1)).toThrow('input 0');
    expect(() => monteCarlo(identity, [{ kind: 'normal', mean: 0, uncertainty: -1 }], 1000, 1)).toThrow(
      'input 0',
    );
    expect(() => monteCarlo(identity, [], 50, 1)).toThrow('50 found');
    expect(() => monteCarlo(() => Number.NaN, [], 100, 1)).toThrow('trial 0: the model has no finite answer');
    expect(() => monteCarloCorrelated(identity, [0, 0], [1, 2, 2, 1], 100, 1)).toThrow('row 1');
    expect(() => monteCarloCorrelated(identity, [0], [1, 0], 100, 1)).toThrow('2 numbers found, 1 allowed');
    const trials = monteCarlo(identity, [{ kind: 'normal', mean: 0, uncertainty: 1 }], 100, 1);
    expect(() => symmetricInterval(trials, 95)).toThrow('level 95 found');
  });
});
