/** A few of the kills of `node test/soak/kills.ts`; the full number is run by hand, figures in test/soak/figures.md. */
import { afterEach, beforeEach, expect, test } from 'vitest';
import { whyNoPty } from '../../daemon/virtual-rig/pty.ts';
import { killAtRandom } from '../soak/kill-instants.ts';
import { killAtTrips } from '../soak/kill-trips.ts';
import { temporaryFolder } from '../support/event-builder.ts';

let folder: ReturnType<typeof temporaryFolder>;
beforeEach(() => {
  folder = temporaryFolder();
});
afterEach(() => folder.remove());

const why = whyNoPty();
if (why !== null) console.warn(`skipped: kills of a converter, no pseudo-terminals here (${why})`);

test.each(['recorder', 'server'] as const)(
  'killed at random instants, the %s leaves whole events and a true index',
  async (victim) => {
    const result = await killAtRandom(victim, 9, 3, folder.path);
    expect(result.failures).toEqual([]);
    expect(result.isIndexRight).toBe(true);
    expect(result.ring.acknowledged).toBeGreaterThan(0);
    expect(result.ring.read).toBeGreaterThanOrEqual(result.ring.acknowledged);
    expect(result.eventsAcknowledged).toBeGreaterThan(0);
    expect(result.eventsWhole).toBeGreaterThanOrEqual(result.eventsAcknowledged);
  },
  240_000,
);

test.skipIf(why !== null)(
  'killed within 5 s of every trip, recorder and server leave none without an event or a gap that explains it',
  async () => {
    const result = await killAtTrips({
      trips: 5,
      seed: 2,
      folder: folder.path,
      victims: ['recorder', 'server', 'both'],
      after_s: [0, 5],
    });
    expect(result.failures).toEqual([]);
    expect(result.stops).toBeGreaterThanOrEqual(5);
    expect(result.events + result.inGaps + result.lost).toBe(result.stops);
    expect(result.events).toBeGreaterThan(0);
  },
  240_000,
);

test.skipIf(why !== null)(
  'the audit of the trips finds a recorder whose declarations and ring are gone',
  async () => {
    const result = await killAtTrips({
      trips: 2,
      seed: 1,
      folder: folder.path,
      victims: ['recorder'],
      after_s: [0.3, 0.8],
      isForgetful: true,
    });
    expect(result.failures.filter((text) => text.includes('no event'))).not.toEqual([]);
  },
  240_000,
);

test.skipIf(why !== null)(
  'killed at random instants, a converter costs no event its values',
  async () => {
    const result = await killAtRandom('rig', 8, 3, folder.path);
    expect(result.failures).toEqual([]);
    expect(result.eventsAcknowledged).toBeGreaterThan(0);
    expect(result.eventsWhole).toBeGreaterThanOrEqual(result.eventsAcknowledged);
  },
  240_000,
);
