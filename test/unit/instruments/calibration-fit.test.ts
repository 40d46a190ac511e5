import { describe, expect, it } from 'vitest';
import {
  fitCalibration,
  inversePrediction,
  lackOfFit,
  onCalibration,
} from '../../../daemon/instruments/calibration-fit.ts';
import { leastSquares } from '../../../daemon/statistics/least-squares.ts';

describe('two points', () => {
  const x = [4.02e-3, 19.98e-3];
  const y = [0, 16e5];

  it('pass through both and say that the scatter is not known', () => {
    const fit = fitCalibration(x, y, 1);
    expect(onCalibration(fit, x[0]!).value).toBeCloseTo(0, 6);
    expect(onCalibration(fit, x[1]!).value / 16e5).toBeCloseTo(1, 12);
    expect(fit.coefficients[1] / (16e5 / 15.96e-3)).toBeCloseTo(1, 12);
    expect(fit.covariance).toBeNull();
    expect(fit.deviation).toBeNull();
    expect(onCalibration(fit, 12e-3).uncertainty).toBeNull();
    expect(inversePrediction(fit, 8e5)).toEqual({ value: expect.closeTo(12e-3, 12), uncertainty: null });
    expect(lackOfFit(fit, x)).toBeNull();
  });

  it('with a given deviation: that at the points, less by root 2 in the middle, three times in the extension', () => {
    const fit = fitCalibration(x, y, 1, 500);
    const at = (reading: number) => onCalibration(fit, reading).uncertainty!;
    expect(at(x[0]!)).toBeCloseTo(500, 6);
    expect(at(x[1]!)).toBeCloseTo(500, 6);
    expect(at(12e-3)).toBeCloseTo(500 / Math.SQRT2, 6);
    expect(at(x[1]! + 15.96e-3 / 2)).toBeCloseTo(500 * Math.sqrt(2.5), 6);
  });
});

describe('many points', () => {
  const x = [0, 1, 2, 3, 4, 5];

  it('give a parabola back exactly, far from zero too', () => {
    const far = x.map((value) => 1e6 + value);
    const fit = fitCalibration(
      far,
      x.map((value) => 3 - 2 * value + 0.5 * value * value),
      2,
    );
    for (const value of [0, 2.5, 5]) {
      expect(onCalibration(fit, 1e6 + value).value).toBeCloseTo(3 - 2 * value + 0.5 * value * value, 9);
    }
    expect(fit.squares).toBeLessThan(1e-20);
  });

  it('find no single reading beside the turn of a parabola, and none far outside', () => {
    const fit = fitCalibration(
      x,
      x.map((value) => (value - 2.5) ** 2),
      2,
    );
    expect(inversePrediction(fit, 1)).toBeNull();
    expect(inversePrediction(fit, -1)).toBeNull();
    const line = fitCalibration(x, x, 1, 0.1);
    expect(inversePrediction(line, 5.4)!.value).toBeCloseTo(5.4, 12);
    expect(inversePrediction(line, 5.6)).toBeNull();
    expect(inversePrediction(fitCalibration(x, [1, 1, 1, 1, 1, 1], 1), 2)).toBeNull();
  });

  it('tell more of a reading taken four times', () => {
    const fit = fitCalibration(x, [0.1, 0.9, 2.1, 2.9, 4.1, 4.9], 1);
    const once = inversePrediction(fit, 2.5)!.uncertainty!;
    const often = inversePrediction(fit, 2.5, 4)!.uncertainty!;
    expect((once ** 2 - often ** 2) / ((0.75 * fit.deviation! ** 2) / fit.coefficients[1] ** 2)).toBeCloseTo(
      1,
      9,
    );
  });

  it('cannot judge the fit by replicates that never differ', () => {
    const twice = [...x, ...x];
    const fit = fitCalibration(
      twice,
      twice.map((value) => value ** 3),
      2,
    );
    expect(lackOfFit(fit, twice)).toBeNull();
    expect(() => lackOfFit(fit, x)).toThrow('6 readings found, 12 allowed');
  });

  it('say what is wrong with points', () => {
    expect(() => fitCalibration([1], [1], 1)).toThrow('1 different readings found, 2 or more allowed');
    expect(() => fitCalibration([1, 1, 2, 2], [1, 1, 2, 2], 2)).toThrow(
      '2 different readings found, 3 or more',
    );
    expect(() => fitCalibration([1, 2], [1], 1)).toThrow('2 readings and 1 references found');
    expect(() => fitCalibration([1, Number.NaN], [1, 2], 1)).toThrow('calibration point 2: NaN, 2 found');
    expect(() => fitCalibration([1, 2], [1, 2], 1, -1)).toThrow('deviation -1 found');
    expect(() => inversePrediction(fitCalibration([1, 2], [1, 2], 1), 1, 0)).toThrow('0 readings found');
  });
});

describe('least squares', () => {
  it('refuse columns that depend on each other and too few rows', () => {
    const one = Float64Array.of(1, 1, 1);
    const rising = Float64Array.of(1, 2, 3);
    const both = Float64Array.of(2, 3, 4);
    expect(() => leastSquares([one, rising, both], rising)).toThrow('column 2 depends');
    expect(() => leastSquares([one, rising], Float64Array.of(1))).toThrow('2 columns and 1 rows');
    expect(() => leastSquares([one, Float64Array.of(1)], rising)).toThrow('of equal length');
  });

  it('take a column that already points along the axis', () => {
    const { coefficients } = leastSquares(
      [Float64Array.of(1, 0, 0), Float64Array.of(0, 2, 0)],
      Float64Array.of(3, 4, 5),
    );
    expect([...coefficients].map((value) => Number(value.toFixed(12)))).toEqual([3, 2]);
  });

  it('leave residuals across every column', () => {
    const columns = [
      Float64Array.of(1, 1, 1, 1, 1),
      Float64Array.of(0, 1, 3, 4, 9),
      Float64Array.of(2, -1, 0, 5, 1),
    ];
    const { residuals } = leastSquares(columns, Float64Array.of(1, -3, 2, 8, 0));
    for (const column of columns) {
      expect(Math.abs(column.reduce((sum, value, k) => sum + value * residuals[k]!, 0))).toBeLessThan(1e-12);
    }
  });
});
