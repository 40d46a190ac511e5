/**
 * Trips of the tuning half of the study whose truth lay outside before the analysis was mended, one a mend: a peak over the
 * top of the range, a damped disc that touches after it stopped the flow or lets some through, a sensor that overshoots.
 */
import { describe, expect, test } from 'vitest';
import type { MetricName } from '../../daemon/analysis/metrics.ts';
import { type TripRow, tripRows } from '../truth/trip-rows.ts';

function rowOf(seed: number, rate_Hz = 1000): TripRow {
  return tripRows(seed, [rate_Hz], 'ordinary')[0];
}

function expectInside(row: TripRow, name: MetricName): void {
  const figure = row.figures[name];
  expect(figure?.low, `${name}: low`).toBeLessThanOrEqual(0);
  expect(figure?.high, `${name}: high`).toBeGreaterThanOrEqual(0);
}

describe.each([1_000_004, 1_000_100, 1_000_106])('a bare disc that slams over the range, seed %d', (seed) => {
  test('is a severe slam, not an unknown one, and its surge may be far higher than what was seen', () => {
    const row = rowOf(seed);
    expect(row.severity).toBe('severe');
    expect(row.trueSeverity).toBe('severe');
    expectInside(row, 'surgeRaw');
    expectInside(row, 'staticAfter');
  });
});

test.each([1_000_036, 1_000_060, 1_000_066, 1_000_108])(
  'a cushioned disc may touch a swing later, seed %d',
  (seed) => {
    expectInside(rowOf(seed), 'seating');
  },
);

test('the largest sample may be the overshoot of the sensor', () => {
  expectInside(rowOf(1_000_028), 'surgeRaw');
});

test.each([1_000_108, 1_000_132])(
  'the flow through a damped disc goes on while its front comes back, seed %d',
  (seed) => {
    expectInside(rowOf(seed, 5000), 'reversal');
    expectInside(rowOf(seed, 1000), 'reversal');
  },
);
