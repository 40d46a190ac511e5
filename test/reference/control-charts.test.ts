import { describe, expect, it } from 'vitest';
import {
  type CusumState,
  cusumNext,
  cusumSide,
  cusumStart,
  type EwmaState,
  ewmaLimits,
  ewmaNext,
  ewmaSide,
  ewmaStart,
} from '../../daemon/statistics/charts.ts';

// NIST/SEMATECH e-Handbook 6.3.2.4: data, averages and limits as open test files quote them.
describe('the EWMA chart of the e-Handbook', () => {
  const chart = { target: 50, deviation: 2.0539, weight: 0.3, width: 3 };
  const values = [
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6,
    52.4, 53.6, 52.1,
  ];
  const printed = [
    50.6, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38,
    49.92, 50.73, 51.23, 51.94, 51.99,
  ];
  const states: EwmaState[] = [];
  let state = ewmaStart(chart);
  for (const value of values) {
    state = ewmaNext(chart, state, value);
    states.push(state);
  }

  it.each(printed.map((average, k) => [k + 1, average]))('average %d: %d', (k, average) => {
    expect(Math.abs(states[k - 1]!.average - average)).toBeLessThan(0.0051);
  });

  it('never leaves 47.4115 to 52.5884', () => {
    const { low, high } = ewmaLimits(chart);
    expect(Math.abs(high - 52.5884)).toBeLessThan(1e-4);
    expect(Math.abs(low - 47.4115)).toBeLessThan(1e-4);
    // Further digits computed independently.
    expect(Math.abs(high - 52.588431738)).toBeLessThan(1e-8);
    expect(Math.abs(states[2]!.average - 50.564)).toBeLessThan(1e-12);
    expect(Math.abs(states[19]!.average - 51.988243)).toBeLessThan(1e-6);
    expect(states.map((one) => ewmaSide(chart, one))).toEqual(values.map(() => 'inside'));
  });

  it('starts with narrower limits', () => {
    const highs = [1, 2, 3].map((n) => ewmaLimits(chart, n).high);
    for (const [k, high] of [51.84851, 52.256394, 52.431406].entries()) {
      expect(Math.abs(highs[k]! - high)).toBeLessThan(1e-6);
    }
  });

  it('leaves them when the mean has moved', () => {
    let moved = state;
    for (let k = 0; k < 5; k++) moved = ewmaNext(chart, moved, 54);
    expect(ewmaSide(chart, moved)).toBe('above');
    for (let k = 0; k < 12; k++) moved = ewmaNext(chart, moved, 46);
    expect(ewmaSide(chart, moved)).toBe('below');
  });

  it('refuses what is no chart and no value', () => {
    expect(() => ewmaStart({ ...chart, weight: 0 })).toThrow('0 < weight <= 1');
    expect(() => ewmaNext(chart, state, Number.NaN)).toThrow('NaN found');
  });
});

// NIST/SEMATECH e-Handbook 6.3.2.3, as an open test file quotes it.
describe('the tabular CUSUM of the e-Handbook', () => {
  const chart = { target: 325, slack: 0.3175, decision: 4.1959 };
  const values = [
    324.925, 324.675, 324.725, 324.35, 325.35, 325.225, 324.125, 324.525, 325.225, 324.6, 324.625, 325.15,
    328.325, 327.25, 327.825, 328.5, 326.675, 327.775, 326.875, 328.35,
  ];
  const printedHigh = [
    0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.0, 19.04,
  ];
  const printedLow = [0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, 0, 0, 0, 0, 0, 0, 0, 0, 0];
  const printedSum = [
    -0.07, -0.4, -0.67, -1.32, -0.97, -0.75, -1.62, -2.1, -1.87, -2.27, -2.65, -2.5, 0.83, 3.08, 5.9, 9.4,
    11.08, 13.85, 15.73, 19.08,
  ];
  const states: CusumState[] = [];
  let state = cusumStart(chart);
  for (const value of values) {
    state = cusumNext(chart, state, value);
    states.push(state);
  }

  it.each(values.map((_, k) => k + 1))('group %d', (group) => {
    const { high, low, sum } = states[group - 1]!;
    expect(Math.abs(high - printedHigh[group - 1]!)).toBeLessThan(0.0051);
    expect(Math.abs(low - printedLow[group - 1]!)).toBeLessThan(0.0051);
    expect(Math.abs(sum - printedSum[group - 1]!)).toBeLessThan(0.0051);
  });

  it('signals first at group 14, upwards', () => {
    const sides = states.map((one) => cusumSide(chart, one));
    expect(sides.indexOf('above')).toBe(13);
    expect(sides.slice(0, 13).every((side) => side === 'inside')).toBe(true);
    expect(sides.slice(13).every((side) => side === 'above')).toBe(true);
    expect(states[13]!.highRun).toBe(2);
  });

  // Computed independently.
  it('unrounded from group 13', () => {
    const high = [3.0075, 4.94, 7.4475, 10.63, 11.9875, 14.445, 16.0025, 19.035];
    for (const [k, expected] of high.entries()) {
      expect(Math.abs(states[12 + k]!.high - expected)).toBeLessThan(1e-9);
    }
  });

  it('signals downwards on the mirrored series', () => {
    let mirrored = cusumStart(chart);
    for (const value of values) mirrored = cusumNext(chart, mirrored, 2 * chart.target - value);
    expect(cusumSide(chart, mirrored)).toBe('below');
    expect(mirrored.low).toBeCloseTo(states[19]!.high, 9);
    expect([mirrored.lowRun, mirrored.highRun]).toEqual([8, 0]);
  });

  it('refuses what is no chart and no value', () => {
    expect(() => cusumStart({ ...chart, decision: 0 })).toThrow('decision > 0');
    expect(() => cusumNext(chart, state, Infinity)).toThrow('Infinity found');
  });
});
