import { expect, it } from 'vitest';
import { displayUnit } from '../../../dashboard/format/units.ts';
import { joinColumns, pointsOf, valueAt } from '../../../dashboard/plot/columns.ts';

const pascal = displayUnit('Pa', 'si', undefined);

it('keeps a gap a gap on the way to the plot, and no instant of one channel for a gap of another', () => {
  const broken = { id: 'p', time_s: [0, 1, 2, 3], min: [1, 2, null, 4], max: [1, 2, null, 4] };
  const whole = { id: 'q', time_s: [0.5, 2.5], min: [7, 8], max: [7, 8] };
  const [, values] = pointsOf(broken, pascal);
  expect(values.map((value) => value === null)).toEqual([false, false, true, false]);
  const [times, p, q] = joinColumns([pointsOf(broken, pascal), pointsOf(whole, pascal)]);
  expect(times).toEqual([0, 0.5, 1, 2, 2.5, 3]);
  expect(Array.from(p!, (value) => value === null)).toEqual([false, false, false, true, false, false]);
  expect(q).not.toContain(null);
});

it('reads nothing in a gap', () => {
  expect(valueAt([0, 1, 2], [5, null, 7], 0.5)).toBeNull();
  expect(valueAt([0, 1, 2], [5, 6, null], 0.5)).toBe(5.5);
});
