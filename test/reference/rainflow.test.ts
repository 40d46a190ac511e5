import { describe, expect, it } from 'vitest';
import {
  cyclesToFailure,
  hoopStress_Pa,
  minerDamage_ratio,
  vinsonPvc,
} from '../../daemon/statistics/fatigue.ts';
import { type Cycle, rainflow, rainflowRepeating } from '../../daemon/statistics/rainflow.ts';

/** Counts by range, smallest first. */
function byRange(cycles: readonly Cycle[]): [number, number][] {
  const counts = new Map<number, number>();
  for (const { range, count } of cycles) counts.set(range, (counts.get(range) ?? 0) + count);
  return [...counts].sort(([a], [b]) => a - b);
}

// ASTM E1049-85, 5.4.4, as the open library `rainflow` prints it with its counts (tests/test_rainflow.py at 5fc6822).
const standard = [-2, 1, -3, 5, -1, 3, -4, 4, -2];

describe('the example of ASTM E1049-85', () => {
  it('counts by range', () => {
    expect(byRange(rainflow(standard))).toEqual([
      [3, 0.5],
      [4, 1.5],
      [6, 0.5],
      [8, 1],
      [9, 0.5],
    ]);
  });

  it('cycles in the order in which they close, with mean and indexes', () => {
    const list = rainflow(standard).map((c) => [c.range, c.mean, c.count, c.startIndex, c.endIndex]);
    expect(list).toEqual([
      [3, -0.5, 0.5, 0, 1],
      [4, -1, 0.5, 1, 2],
      [4, 1, 1, 4, 5],
      [8, 1, 0.5, 2, 3],
      [9, 0.5, 0.5, 3, 6],
      [8, 0, 0.5, 6, 7],
      [6, 1, 0.5, 7, 8],
    ]);
  });

  it('four cycles, sum of count * range^3 = 1094', () => {
    const cycles = rainflow(standard);
    expect(cycles.reduce((sum, { count }) => sum + count, 0)).toBe(4);
    expect(cycles.reduce((sum, { count, range }) => sum + count * range ** 3, 0)).toBe(1094);
  });

  // E1049-85, 5.4.5 (from memory; also computed independently).
  it('repeating for ever: 3, 4, 7 and 9, one each', () => {
    expect(byRange(rainflowRepeating(standard))).toEqual([
      [3, 1],
      [4, 1],
      [7, 1],
      [9, 1],
    ]);
    expect(rainflowRepeating(standard).every(({ count }) => count === 1)).toBe(true);
  });
});

// Second series of the same file.
it('a longer series with equal ranges', () => {
  const series = [-1.5, 1, -3, 10, -1, 3, -8, 4, -2, 6, -1, -4, -8, 2, 1, -5, 0, 2.5, -4, 1, 0, 2, -0.5];
  expect(byRange(rainflow(series))).toEqual([
    [1, 1],
    [2.5, 1],
    [4, 1.5],
    [6, 1.5],
    [6.5, 0.5],
    [7, 1],
    [10.5, 0.5],
    [13, 0.5],
    [14, 1],
    [18, 0.5],
  ]);
});

// Moser & Folkman, Buried Pipe Design, p. 211, eq. 4.17, evaluated independently.
describe('PVC by its peak hoop stress', () => {
  const psi_Pa = 6894.757293168361;

  it.each([
    [1000, 9.667e6],
    [1500, 1.32248e6],
    [2000, 3.22432e5],
  ])('%d psi: %d cycles', (stress_psi, cycles) => {
    expect(Math.abs(cyclesToFailure(vinsonPvc, stress_psi * psi_Pa) / cycles - 1)).toBeLessThan(1e-5);
  });

  it('sums shares of lives', () => {
    const cycles = [
      { stress_Pa: 1000 * psi_Pa, count: 9.667e5 },
      { stress_Pa: 2000 * psi_Pa, count: 3.22432e4 },
    ];
    expect(Math.abs(minerDamage_ratio(vinsonPvc, cycles) - 0.2)).toBeLessThan(1e-5);
  });

  // Thin-wall formula by hand.
  it('1 bar in SDR 21 is 1 MPa', () => {
    expect(hoopStress_Pa(1e5, 21)).toBe(1e6);
  });
});
