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

test('a stop so shortly after the first sample is a trip where the run before saw the pump run, and only there', () => {
  const sight = levels([1, 100], [0, 50]);
  expect(edges(new ContactWatch(source, interval_s), sight)).toEqual([]);
  const watch = new ContactWatch(source, interval_s);
  watch.presumeRunning();
  expect(edges(watch, sight)).toEqual([100]);
  watch.disarm();
  // From then on a pump must have run for its while again.
  expect(edges(watch, levels([1, 100], [0, 50]), 0.15)).toEqual([]);
  expect(edges(watch, levels([1, 600], [0, 50]), 0.3)).toEqual([600]);
});

test('what was known before says nothing of a pump that stands at the first sample, or after a silence', () => {
  const standing = new ContactWatch(source, interval_s);
  edges(standing, levels([0, 10]));
  standing.presumeRunning();
  expect(edges(standing, levels([1, 100], [0, 50]), 0.01)).toEqual([]);
  const silent = new ContactWatch(source, interval_s);
  silent.presumeRunning();
  edges(silent, levels([1, 10]));
  expect(edges(silent, levels([1, 100], [0, 50]), 10)).toEqual([]);
});
