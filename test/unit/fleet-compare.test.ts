import { describe, expect, test } from 'vitest';
import { compare } from '../fleet/compare.ts';
import type { CounterNode } from '../fleet/counter.ts';
import { pressureChannels } from '../fleet/plant.ts';
import type { NodePoints } from '../fleet/read-back.ts';
import type { StationTally } from '../fleet/station.ts';

const seconds = [1000, 2000, 3000];
const means_Pa = [4e5, 4.1e5, 4.2e5];
const counts = { delivered: 5, rejected: 0, shed: 0, waiting: 0, failed: 0, state: 'up', why: '' };
const tally: StationTally = {
  node: 'a',
  seconds,
  means_Pa,
  events: [{ id: 'E', wall_ms: 2345 }],
  sinks: [{ name: 'broker', ...counts }],
  unqueued: 0,
};

function heard(change: Partial<CounterNode> = {}): CounterNode[] {
  const whole = { node: 'a', messages: 5, repeats: 0, outOfOrder: 0, events: ['E'], verdicts: ['E'] };
  return [{ ...whole, seconds, means_Pa, ...change }];
}

function stored(change: (points: NodePoints) => void = () => undefined): Map<string, NodePoints> {
  const series = () => new Map(seconds.map((at_ms, k) => [at_ms, means_Pa[k]!]));
  const points: NodePoints = {
    pressures: new Map(pressureChannels.map((channel) => [channel, series()])),
    repeats: 0,
    events: new Set([2345]),
    verdicts: new Set([2345]),
  };
  change(points);
  return new Map([['a', points]]);
}

describe('what a fleet said against what came', () => {
  test('all is there', () => {
    const { lost, wrong } = compare([tally], heard(), stored());
    expect([...Object.values(lost), ...Object.values(wrong)].every((count) => count === 0)).toBe(true);
  });

  test('a second that came instead of another is one lost and one wrong', () => {
    const { lost, wrong } = compare([tally], heard({ seconds: [1000, 2000, 9000] }), stored());
    expect([lost.secondsAtBroker, wrong.atBroker]).toEqual([1, 1]);
  });

  test('another number is wrong at either receiver', () => {
    const far = compare([tally], heard({ means_Pa: [4e5, 4.1e5, 4.3e5] }), stored());
    expect(far.wrong).toEqual({ atBroker: 1, inHistory: 0 });
    const changed = stored(({ pressures }) => void pressures.get(pressureChannels[0]!)!.set(1000, 4.0001e5));
    expect(compare([tally], heard(), changed).wrong).toEqual({ atBroker: 0, inHistory: 1 });
  });

  test('every loss has its own count', () => {
    const { lost } = compare(
      [{ ...tally, unqueued: 1 }],
      heard({ messages: 3, events: [], verdicts: [] }),
      stored(({ events, pressures, verdicts }) => {
        events.clear();
        verdicts.clear();
        pressures.get(pressureChannels[1]!)!.delete(2000);
      }),
    );
    expect(lost).toEqual({
      secondsAtBroker: 0,
      eventsAtBroker: 1,
      verdictsAtBroker: 1,
      messagesAtBroker: 2,
      pointsInHistory: 1,
      eventsInHistory: 1,
      verdictsInHistory: 1,
      refusedOrShed: 1,
    });
  });

  test('what one station lost is not made up by what another heard without an acknowledgement', () => {
    const both = [...heard({ messages: 3 }), ...heard({ node: 'b', messages: 7 })];
    const { lost } = compare([tally, { ...tally, node: 'b' }], both, stored());
    expect(lost.messagesAtBroker).toBe(2);
  });

  test('a verdict of an event that never was is wrong', () => {
    expect(compare([tally], heard({ verdicts: ['E', 'F'] }), stored()).wrong.atBroker).toBe(1);
    const points = stored(({ verdicts }) => void verdicts.add(99));
    expect(compare([tally], heard(), points).wrong.inHistory).toBe(1);
  });

  test('a station of which nothing came is lost whole', () => {
    const { lost } = compare([tally], [], new Map());
    expect([lost.secondsAtBroker, lost.eventsAtBroker, lost.messagesAtBroker]).toEqual([3, 1, 5]);
    expect([lost.pointsInHistory, lost.verdictsInHistory]).toEqual([3 * pressureChannels.length, 1]);
  });
});
