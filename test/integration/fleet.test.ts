import { describe, expect, test } from 'vitest';
import { runFleet } from '../fleet/fleet.ts';
import { lostInAll, reportText } from '../fleet/report.ts';
import { hasMosquitto } from '../support/brokers.ts';
import { hasVictoria } from '../support/databases.ts';

const isReady = hasMosquitto && hasVictoria;
if (!isReady) console.warn('SKIPPED: the fleet needs the Debian packages mosquitto and victoria-metrics');

describe.skipIf(!isReady)('a small fleet', () => {
  test('twenty stations lose nothing at the broker and in the history', async () => {
    const plan = { stations: 20, run_s: 10, spread_s: 2, tripEvery_s: 10, seed: 1, workers: 1 };
    const result = await runFleet({ ...plan, say: () => undefined });
    const { expected, lost, outOfOrder, wrong } = result.comparison;
    expect(expected.seconds).toBe(200);
    expect(expected.events).toBeGreaterThan(5);
    expect(lost).toEqual({
      secondsAtBroker: 0,
      eventsAtBroker: 0,
      verdictsAtBroker: 0,
      messagesAtBroker: 0,
      pointsInHistory: 0,
      eventsInHistory: 0,
      verdictsInHistory: 0,
      refusedOrShed: 0,
    });
    expect(wrong).toEqual({ atBroker: 0, inHistory: 0 });
    expect(outOfOrder).toBe(0);
    expect(lostInAll(result)).toBe(0);
    expect(reportText(result)).toContain('50000 stations, by multiplication:');
  });
});
