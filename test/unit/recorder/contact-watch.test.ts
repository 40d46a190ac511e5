import { expect, test } from 'vitest';
import { ContactWatch } from '../../../daemon/recorder/contact-watch.ts';

const source = { channel: 'run', runningLevel: 1 as const, delay_s: [0, 0] as const };
const interval_s = 0.001;

/** Levels a scan apart; the instants at which they made an edge. */
function edges(watch: ContactWatch, levels: readonly number[], from_s = 0): number[] {
  return levels.flatMap((level, k) => (watch.take(level, from_s + k * interval_s) ? [k] : []));
}
const levels = (...parts: readonly (readonly [level: number, count: number])[]) =>
  parts.flatMap(([level, count]) => Array<number>(count).fill(level));

test('a drive that runs at the very first sample is believed at once; one that starts must run for half a second', () => {
  const watch = new ContactWatch(source, interval_s);
  expect(edges(watch, levels([1, 60], [0, 50]))).toEqual([60]);
  watch.disarm();
  expect(edges(watch, levels([1, 400], [0, 50]), 0.11)).toEqual([]);
  expect(edges(watch, levels([1, 600], [0, 50]), 0.56)).toEqual([600]);
});

test('a glitch at the first samples is no drive that runs', () => {
  expect(edges(new ContactWatch(source, interval_s), levels([1, 20], [0, 500]))).toEqual([]);
  expect(edges(new ContactWatch(source, interval_s), levels([1, 20], [0, 1], [1, 400], [0, 50]))).toEqual([]);
});

test('after a silence the first sample is like any other', () => {
  const watch = new ContactWatch(source, interval_s);
  edges(watch, levels([1, 10]));
  expect(edges(watch, levels([1, 100], [0, 50]), 10)).toEqual([]);
});
