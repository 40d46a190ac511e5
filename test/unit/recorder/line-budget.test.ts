import { expect, it } from 'vitest';
import { BudgetWatch } from '../../../daemon/recorder/line-budget.ts';
import type { GroupSpec, RawBlock } from '../../../drivers/driver.ts';

const groups: readonly GroupSpec[] = [
  { id: 'fast', channels: ['a', 'b'], encoding: 'i32', nominalInterval_s: 0.01 },
  { id: 'slow', channels: ['c'], encoding: 'f64', nominalInterval_s: 0.1 },
];

function block(group: number, scans: number, lostBefore = 0): RawBlock {
  const raw = new Float64Array(scans);
  const quality = new Uint8Array(scans);
  return { group, scan: 0, scans, time_s: 0, interval_s: 1, halfWidth_s: 0, raw, quality, lostBefore };
}

it('says what is asked, what the wire could carry, what came in the last ten seconds and what was lost', () => {
  const watch = new BudgetWatch(groups, 0.5);
  expect(watch.read(100)).toEqual({
    carried_Hz: 420,
    asked_Hz: 210,
    reached_Hz: null,
    samplesLost: 0,
    span_s: 0,
  });
  for (let second = 1; second <= 30; second++) {
    watch.take(block(0, 100, second === 25 ? 3 : 0));
    watch.take(block(1, second <= 10 ? 0 : 10));
    watch.read(100 + second);
  }
  expect(watch.read(130)).toEqual({
    carried_Hz: 420,
    asked_Hz: 210,
    reached_Hz: 210,
    samplesLost: 6,
    span_s: 10,
  });
  expect(watch.read(150)).toMatchObject({ reached_Hz: 0, samplesLost: 0 });
});

it('does not guess what a network could carry', () => {
  expect(new BudgetWatch(groups, null).read(0).carried_Hz).toBeNull();
});
