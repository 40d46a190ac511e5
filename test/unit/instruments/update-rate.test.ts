/** The real rate of a device that is polled faster than it measures. */
import { describe, expect, test } from 'vitest';
import { clean, repeatsOf } from '../../../daemon/analysis/reading/leg-signals.ts';
import { updateRateOf } from '../../../daemon/instruments/update-rate.ts';
import { channelOf, seriesOf } from '../../support/independent-records.ts';
import { normal, seeded } from '../../support/random-rig.ts';

/** A device that renews a noisy reading with `device_Hz`, first at `phase_s`, polled with `poll_Hz` for 10 s. */
function polled(device_Hz: number, poll_Hz: number, phase_s: number, bits = 16) {
  const random = seeded(7);
  const step = 25e5 / 2 ** bits;
  const values = Float64Array.from({ length: Math.ceil(10 * device_Hz) + 2 }, () => {
    const value = 5e5 + 2000 * normal(random);
    return Math.round(value / step) * step;
  });
  const n = Math.round(10 * poll_Hz);
  const time_s = Float64Array.from({ length: n }, (_, k) => k / poll_Hz);
  const value = time_s.map((t) => values[Math.max(0, Math.floor((t - phase_s) * device_Hz) + 1)]);
  return { time_s, value };
}

describe('update rate from the data', () => {
  test.each([
    [5, 50],
    [10, 50],
    [12.5, 50],
    [20, 100],
    [80, 200],
    [100, 250],
    [33.3, 500],
  ])('a device of %d Hz polled at %d Hz', (device_Hz, poll_Hz) => {
    const phase_s = 0.37 / device_Hz;
    const samples = polled(device_Hz, poll_Hz, phase_s);
    const found = updateRateOf(samples)!;
    expect(Math.abs(found.rate_Hz / device_Hz - 1)).toBeLessThan(0.005);
    expect(found.repeated_ratio).toBeCloseTo(1 - device_Hz / poll_Hz, 1);
    expect(found.scatter_s).toBeLessThan(0.4 / poll_Hz);
    const apart = Math.abs(found.phase_s - phase_s);
    expect(Math.min(apart, 1 / device_Hz - apart)).toBeLessThan(0.6 / poll_Hz);
    expect(repeatsOf(samples)).toBeCloseTo(poll_Hz / device_Hz, 0);
  });

  test('the analysis works with the fresh values only', () => {
    const { time_s, value } = polled(5, 50, 0.07);
    const channel = clean(seriesOf(channelOf('outlet', 'pressure'), time_s, value), 0)!;
    expect(channel.repeats).toBeCloseTo(10, 0);
    expect(1 / channel.step_s).toBeCloseTo(5, 1);
    expect(channel.samples.time_s.length).toBeLessThan(60);
  });

  test('a renewal that gives the same value once more does not halve the rate', () => {
    const found = updateRateOf(polled(10, 100, 0.03, 10))!;
    expect(Math.abs(found.rate_Hz / 10 - 1)).toBeLessThan(0.01);
  });

  test('a device that keeps pace repeats nothing; a coarse converter repeats without a clock', () => {
    const random = seeded(3);
    const time_s = Float64Array.from({ length: 2000 }, (_, k) => k / 100);
    expect(
      updateRateOf({ time_s, value: time_s.map(() => normal(random)) }),
      'every value differs',
    ).toBeNull();
    const coarse = time_s.map(() => Math.round(0.35 * normal(random)));
    expect(repeatsOf({ time_s, value: coarse })).toBe(1);
    expect(updateRateOf({ time_s, value: coarse })!.scatter_s).toBeGreaterThan(0.01);
  });
});
