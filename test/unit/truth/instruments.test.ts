import { expect, test } from 'vitest';
import { deadTime, inSeries, lagOf, movingMean, movingMedian, secondOrder } from '../../truth/instruments.ts';

const dt_s = 1e-5;
const ramp = Float64Array.from({ length: 20_000 }, (_, k) => k * dt_s);
const step = Float64Array.from({ length: 2000 }, (_, k) => (k < 100 ? 0 : 1));

test.each([
  ['first order', lagOf(0.01), 0.01],
  ['Butterworth', secondOrder(0.01, Math.SQRT1_2), 0.01],
  ['nearly critical', secondOrder(0.01, 0.99), 0.01],
  ['two lags', inSeries(lagOf(0.004), lagOf(0.006)), 0.01],
  ['dead time', deadTime(0.01), 0.01],
  ['mean over 20 ms', movingMean(0.02, 1e-5), 0.01],
  ['median of 5 every 5 ms', movingMedian(5, 0.005), 0.01],
])('%s shows a ramp late by its response time', (_, filter, late_s) => {
  const last = ramp.length - 1;
  const shown = filter(ramp, dt_s);
  const held_s = _.startsWith('median') ? 0.005 : 5e-5;
  expect(ramp[last] - shown[last]).toBeGreaterThan(late_s - 2e-5);
  expect(ramp[last] - shown[last]).toBeLessThan(late_s + held_s);
});

/** Overshoot of a second-order step is exp(-pi z / sqrt(1 - z^2)): 4.32 % at z = 0.7071 (textbook of control, from memory). */
test('a Butterworth filter overshoots a step by 4.3 %', () => {
  const shown = secondOrder(0.001, Math.SQRT1_2)(step, dt_s);
  expect(Math.max(...shown)).toBeCloseTo(1 + Math.exp(-Math.PI), 3);
  expect(shown[99]).toBe(0);
  expect(shown[1999]).toBeCloseTo(1, 3);
});
