import fc from 'fast-check';
import { expect, test } from 'vitest';
import { originalOf, type Span } from '../../../daemon/store/same-trip.ts';

/** A recorder's event of the usual length. */
const event = (id: string, trip_s: number): Span => ({
  id,
  isWindow: false,
  from_s: trip_s - 1.5,
  to_s: trip_s + 4,
  trip_s,
  kept_ms: 0,
});

const window = (id: string, from_s: number, to_s: number, trip_s: number | null, kept_ms = 1): Span => ({
  id,
  isWindow: true,
  from_s,
  to_s,
  trip_s,
  kept_ms,
});

const [a, b] = [event('A', 100), event('B', 160)];

test.each([
  ['a window round a trip', window('K', 90, 110, 100.01), [a], 'A'],
  ['a window of two trips, by the one that was judged in it', window('K', 90, 170, 160.02), [a, b], 'B'],
  [
    'a window of two trips in which none was found, by the one nearer to its middle',
    window('K', 80, 170, null),
    [a, b],
    'A',
  ],
  ['a window of the ring-down alone', window('K', 101, 110, null), [a], 'A'],
  [
    'a window of the ring-down in which something was taken for a trip',
    window('K', 101, 110, 101.4),
    [a],
    'A',
  ],
  ['a window of flowing water before the trip', window('K', 80, 99.9, null), [a], null],
  ['a window long after it', window('K', 120, 140, null), [a, b], null],
  ['a window round a trip that the recorder missed', window('K', 120, 140, 130), [a, b], null],
  ['a missed trip in a window that holds judged trips too', window('K', 90, 170, 130), [a, b], null],
  ['an event of the recorder', a, [b, window('K', 90, 110, 100)], null],
])('%s', (_what, span, others, original) => {
  expect(originalOf(span, others)).toBe(original);
});

test('of two windows round one missed trip the one that was kept first is the trip', () => {
  const first = window('Z', 120, 140, 130.02, 10);
  const second = window('Y', 125, 150, 130, 20);
  const third = window('X', 126, 150, 130.1, 30);
  expect(originalOf(first, [second, third])).toBeNull();
  expect(originalOf(second, [first, third])).toBe('Z');
  expect(originalOf(third, [first, second])).toBe('Z');
  const unknown = { ...second, kept_ms: 0 };
  expect(originalOf({ ...first, kept_ms: 0 }, [unknown])).toBe('Y');
});

test('whatever was kept, each trip is counted once', () => {
  const trip = fc.integer({ min: 0, max: 5 });
  const kept = fc.record({ trip, before_s: fc.integer({ min: 1, max: 5 }), kept_ms: fc.nat(5) });
  fc.assert(
    fc.property(fc.uniqueArray(trip), fc.array(kept, { maxLength: 8 }), (recorded, windows) => {
      const at_s = (n: number) => 100 + 60 * n;
      const spans = [
        ...recorded.map((n) => event(`E${n}`, at_s(n))),
        ...windows.map((each, k) =>
          window(
            `K${k}`,
            at_s(each.trip) - each.before_s,
            at_s(each.trip) + 5,
            at_s(each.trip) + k / 100,
            each.kept_ms,
          ),
        ),
      ];
      const counted = spans.filter((span) => {
        const others = spans.filter(
          ({ id, from_s, to_s }) => id !== span.id && from_s < span.to_s && to_s > span.from_s,
        );
        return originalOf(span, others) === null;
      });
      const trips = counted.map(({ trip_s }) => Math.round((trip_s! - 100) / 60));
      expect([...trips].sort()).toEqual(
        [...new Set([...recorded, ...windows.map((each) => each.trip)])].sort(),
      );
    }),
  );
});
