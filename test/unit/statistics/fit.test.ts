/** Least squares, against a published example and against hand-made numbers. */
import { describe, expect, test } from 'vitest';
import { fitColumns, fitLine, lineUncertainty, onLine } from '../../../daemon/statistics/fit.ts';

const all = { from_s: Number.NEGATIVE_INFINITY, to_s: Number.POSITIVE_INFINITY };

describe('straight line', () => {
  test('the calibration line of JCGM 100:2008, H.3 (numbers as coded in an open metrology library)', () => {
    const t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.01, 26.511];
    const b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.16];
    const line = fitLine({ time_s: Float64Array.from(t), value: Float64Array.from(b) }, all)!;
    expect(onLine(line, 20)).toBeCloseTo(-0.1712, 4);
    expect(lineUncertainty(line, 20)).toBeCloseTo(0.0029, 4);
    expect(line.slope).toBeCloseTo(0.00218, 5);
    expect(line.sigma).toBeCloseTo(0.0035, 4);
    expect(onLine(line, 30)).toBeCloseTo(-0.1494, 4);
    expect(lineUncertainty(line, 30)).toBeCloseTo(0.0041, 4);
  });

  test('two points give the line through them, one point gives none', () => {
    const two = { time_s: Float64Array.of(1, 3), value: Float64Array.of(10, 14) };
    expect(onLine(fitLine(two, all)!, 5)).toBeCloseTo(18, 12);
    expect(fitLine(two, { from_s: 2, to_s: 9 })).toBeNull();
  });

  test('a far-away origin costs no digits', () => {
    const time_s = Float64Array.from({ length: 100 }, (_, k) => 1e6 + k * 1e-3);
    const line = fitLine({ time_s, value: time_s.map((t) => 3 + 2 * (t - 1e6)) }, all)!;
    expect(onLine(line, 1e6)).toBeCloseTo(3, 8);
    expect(line.slope).toBeCloseTo(2, 8);
  });
});

describe('columns', () => {
  test('a parabola is found again', () => {
    const t = Float64Array.from({ length: 30 }, (_, k) => k / 10);
    const fit = fitColumns(
      [t.map(() => 1), t, t.map((x) => x * x)],
      t.map((x) => 1 - 2 * x + 0.5 * x * x),
    )!;
    [1, -2, 0.5].forEach((value, k) => {
      expect(fit.coefficients[k]).toBeCloseTo(value, 9);
    });
    expect(fit.squares).toBeLessThan(1e-18);
  });

  test('dependent columns and too few rows give null, not nonsense', () => {
    const t = Float64Array.of(1, 2, 3, 4);
    expect(fitColumns([t, t.map((x) => 2 * x)], t)).toBeNull();
    expect(fitColumns([t.map(() => 1), t], Float64Array.of(1, 2).subarray(0, 2))).toBeNull();
  });
});
