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

test('a stop of less than a millisecond is chatter; a longer one counts from its first sample', () => {
  const fast_s = 0.0002;
  const at = (watch: ContactWatch, parts: readonly number[]) =>
    parts.flatMap((level, k) => (watch.take(level, k * fast_s) ? [k] : []));
  for (const stop of [1, 2, 3, 4]) {
    expect(at(new ContactWatch(source, fast_s), levels([1, 4000], [0, stop], [1, 100]))).toEqual([]);
  }
  const watch = new ContactWatch(source, fast_s);
  expect(at(watch, levels([1, 4000], [0, 5], [1, 100]))).toEqual([4004]);
  expect(watch.opened_s).toBeCloseTo(4000 * fast_s, 9);
});

test('a stop that came too soon was a bounce when the drive runs again within 0.2 s', () => {
  const stopped = (off: number) => {
    const watch = new ContactWatch(source, interval_s);
    edges(watch, levels([0, 100], [1, 20], [0, off], [1, 100]));
    return watch.tooSoon_s;
  };
  expect(stopped(5)).toBeNaN();
  expect(stopped(190)).toBeNaN();
  expect(stopped(210)).toBeCloseTo(0.12, 9);
});
