import { expect, it } from 'vitest';
import { slowestEnd_s } from '../../../daemon/recorder/open-events.ts';

it('an event waits for the slowest group that delivers, not for one that never did', () => {
  expect(slowestEnd_s([12, 10, 11])).toBe(10);
  expect(slowestEnd_s([12, Number.NEGATIVE_INFINITY, 11])).toBe(11);
});
