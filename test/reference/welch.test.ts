import { describe, expect, it } from 'vitest';
import {
  type Comparison,
  meanInterval,
  pooled,
  pooledDeviation,
  summaryOf,
  welch,
} from '../../daemon/statistics/welch.ts';

function expectRelative(found: number, expected: number, relative: number): void {
  expect(Math.abs(found / expected - 1), `${found} for ${expected}`).toBeLessThan(relative);
}

function compare(first: readonly number[], second: readonly number[]): Comparison {
  return welch(summaryOf(first), summaryOf(second))!;
}

describe('mileage of two groups of cars (NIST data set AUTO83B)', () => {
  const first = { n: 249, mean: 20.14458, deviation: 6.4147 };
  const second = { n: 79, mean: 30.48101, deviation: 6.10771 };

  // Printed in the documentation of an open C++ statistics library, which quotes the NIST/SEMATECH e-Handbook.
  it('unequal scatter: T -12.94627, 136.87499 degrees, p 1.571e-25', () => {
    const found = welch(first, second)!;
    expect(Math.abs(found.t + 12.94627)).toBeLessThan(1e-5);
    expect(Math.abs(found.degrees - 136.87499)).toBeLessThan(1e-5);
    expectRelative(found.p, 1.571e-25, 1e-3);
  });

  // NIST/SEMATECH e-Handbook 1.3.5.3 (from memory): 6.34260, -12.62059; more digits computed independently.
  it('equal scatter: 6.34260, T -12.62059', () => {
    const found = pooled(first, second)!;
    expect(Math.abs(pooledDeviation(first, second) - 6.342601)).toBeLessThan(1e-6);
    expect(Math.abs(found.t + 12.620585)).toBeLessThan(2e-6);
    expect(found.degrees).toBe(326);
  });
});

describe('published samples', () => {
  // Data and p = 0.021 of the encyclopaedia article on Welch's t-test, as the documentation of a public database quotes
  // them; further digits computed independently.
  it('two of fifteen', () => {
    const a = [27.5, 21.0, 19.0, 23.6, 17.0, 17.9, 16.9, 20.1, 21.9, 22.6, 23.1, 19.6, 19.0, 21.7, 21.4];
    const b = [27.1, 22.0, 20.8, 23.4, 23.4, 23.5, 25.8, 22.0, 24.8, 20.2, 21.9, 22.1, 22.9, 20.5, 24.4];
    const found = compare(a, b);
    expectRelative(found.t, -2.455356398286, 1e-11);
    expectRelative(found.degrees, 24.98852929, 1e-9);
    expectRelative(found.p, 0.021378001463, 1e-9);
    expect(found.p.toFixed(3)).toBe('0.021');
  });

  // The same source's unequal numbers; results computed independently.
  it('ten against twenty', () => {
    const a = [17.2, 20.9, 22.6, 18.1, 21.7, 21.4, 23.5, 24.2, 14.7, 21.8];
    const b = [
      21.5, 22.8, 21.0, 23.0, 21.6, 23.6, 22.5, 20.7, 23.4, 21.8, 20.7, 21.7, 21.5, 22.5, 23.6, 21.5, 22.5,
      23.5, 21.5, 21.8,
    ];
    const found = compare(a, b);
    expectRelative(found.t, -1.565433523599, 1e-11);
    expectRelative(found.degrees, 9.904741249, 1e-9);
    expectRelative(found.p, 0.148841696605, 1e-9);
  });

  // Student 1908, hours of sleep gained (from memory): the interval of the difference is often printed as -3.365, 0.205.
  it('the sleep data', () => {
    const a = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0];
    const b = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4];
    const found = compare(a, b);
    expectRelative(found.t, -1.860813467, 1e-9);
    expectRelative(found.degrees, 17.776473516, 1e-9);
    expectRelative(found.p, 0.07939414, 1e-7);
    expect(found.low.toFixed(3)).toBe('-3.365');
    expect(found.high.toFixed(3)).toBe('0.205');
  });
});

describe('what the comparison promises', () => {
  const some = { n: 5, mean: 1, deviation: 0.2 };

  it('equals the pooled comparison for equal numbers and scatter', () => {
    const other = { ...some, mean: 1.3 };
    const found = welch(some, other)!;
    expect(found.degrees).toBeCloseTo(8, 12);
    expect(found.t).toBeCloseTo(pooled(some, other)!.t, 12);
  });

  it('takes a series without scatter, but not two', () => {
    const still = { n: 5, mean: 2, deviation: 0 };
    expect(welch(some, still)!.degrees).toBeCloseTo(4, 12);
    expect(welch(still, still)).toBeNull();
    expect(pooled(still, still)).toBeNull();
  });

  it('says what is wrong with a series', () => {
    expect(() => summaryOf([1])).toThrow('1 readings found, 2 or more allowed');
    expect(() => summaryOf([1, Number.NaN])).toThrow('mean NaN');
    expect(() => welch(some, some, 1)).toThrow('level 1 found');
  });

  // Mean +- t(4) s / sqrt 5, by hand.
  it('gives the interval of a mean', () => {
    const { low, high } = meanInterval(some);
    expect((high - low) / 2).toBeCloseTo((2.776445 * 0.2) / Math.sqrt(5), 6);
  });
});
