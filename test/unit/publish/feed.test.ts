import { expect, test } from 'vitest';
import { StateFeed } from '../../../daemon/publish/feed.ts';

const trouble = (key: string) => ({ key, since_ms: 1000, what: `${key} is wrong.`, remedy: 'Mend it.' });
const told = (feed: StateFeed, keys: readonly string[], now_ms: number) =>
  feed.alarms(keys.map(trouble), now_ms).map(({ payload }) => {
    if (payload.kind !== 'alarm') throw new Error(payload.kind);
    return [payload.key, payload.isActive];
  });

test('an alarm is told when it comes, once a minute while it stands, and when it goes', () => {
  const feed = new StateFeed();
  expect(told(feed, ['a'], 1000)).toEqual([['a', true]]);
  expect(told(feed, ['a'], 60_999)).toEqual([]);
  expect(told(feed, ['a', 'b'], 61_000)).toEqual([
    ['a', true],
    ['b', true],
  ]);
  expect(told(feed, ['a', 'b'], 61_500)).toEqual([]);
  expect(told(feed, ['b'], 62_000)).toEqual([['a', false]]);
  expect(told(feed, [], 63_000)).toEqual([['b', false]]);
});

test('a clock that is set back silences nothing', () => {
  const feed = new StateFeed();
  const phases = (now_ms: number) =>
    feed.status({ lines: [], phase: 'running' }, now_ms, (time_s) => time_s).length;
  expect([told(feed, ['a'], 5e9).length, phases(5e9)]).toEqual([1, 1]);
  expect([told(feed, ['a'], 4e9).length, phases(4e9)]).toEqual([1, 1]);
  expect([told(feed, ['a'], 4e9 + 1).length, phases(4e9 + 1)]).toEqual([0, 0]);
});

test('what is asked for again is told again, once', () => {
  const feed = new StateFeed();
  const all = (now_ms: number) =>
    told(feed, ['a'], now_ms).length +
    feed.status({ lines: [], phase: 'running' }, now_ms, (time_s) => time_s).length;
  expect([all(1000), all(1001)]).toEqual([2, 0]);
  feed.repeat();
  expect([all(1002), all(1003)]).toEqual([2, 0]);
});
