/** Where samples are missing: the stretches of a channel. */
import { describe, expect, test } from 'vitest';
import { blind, lost_s, missingOf, within } from '../../../../daemon/analysis/reading/missing.ts';

const axis = (count: number, step_s = 0.01, without: readonly number[] = []) =>
  Float64Array.from(
    Array.from({ length: count }, (_, k) => k).filter((k) => !without.includes(k)),
    (k) => k * step_s,
  );

const whole = { bad_s: [], clipped_s: [], step_s: 0.01 };

describe('stretches without a sample', () => {
  test('a whole channel has none, and neither has one with polls late by half a slot', () => {
    expect(missingOf({ ...whole, good_s: axis(50) })).toEqual([]);
    const late = axis(50).map((t, k) => (k % 7 === 3 ? t + 0.005 : t));
    expect(missingOf({ ...whole, good_s: late })).toEqual([]);
  });

  test('lost samples: from the last before to the first after', () => {
    const [hole, ...rest] = missingOf({ ...whole, good_s: axis(50, 0.01, [20, 21, 22]) });
    expect(rest).toEqual([]);
    expect(hole).toEqual({ from_s: 19 * 0.01, to_s: 23 * 0.01, why: 'lost' });
  });

  test('a single sample is a stretch, too', () => {
    expect(missingOf({ ...whole, good_s: axis(50, 0.01, [30]) })).toHaveLength(1);
  });

  test('samples that came and were bad', () => {
    const found = missingOf({ ...whole, good_s: axis(50, 0.01, [20, 21]), bad_s: [0.2, 0.21] });
    expect(found.map(({ why }) => why)).toEqual(['bad']);
  });

  test('clipped rows are kept apart: they say at least how far the reading went', () => {
    const found = missingOf({ ...whole, good_s: axis(50, 0.01, [5]), clipped_s: [0.2, 0.21, 0.22, 0.4] });
    expect(found.map(({ why, from_s }) => [why, from_s])).toEqual([
      ['lost', 4 * 0.01],
      ['clipped', 0.2],
      ['clipped', 0.4],
    ]);
    expect(blind(found)).toHaveLength(1);
  });

  test('time missing from a window, and the stretches that share some of it', () => {
    const missing = missingOf({ ...whole, good_s: axis(50, 0.01, [20, 21, 22]) });
    expect(lost_s(missing, { from_s: 0.2, to_s: 0.3 })).toBeCloseTo(0.03, 9);
    expect(within(missing, { from_s: 0.23, to_s: 0.3 })).toEqual([]);
  });
});
