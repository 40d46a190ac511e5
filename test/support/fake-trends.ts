/** Made-up trends of a month for the pages: a quiet pressure with trips, a gap, and a day that was missed. */

import { coarser, type Rollup } from '../../daemon/trends/trend-rollup.ts';
import { openTrends, type Trends } from '../../daemon/trends/trends.ts';

/** Fills a new store under `folder`; `end_ms` is the newest second. */
export function fakeTrends(folder: string, channel: string, leg: string, end_ms: number): Trends {
  const trends = openTrends(folder, null, () => undefined);
  const end_s = Math.floor(end_ms / 1000);
  const second = (start_s: number): Rollup => {
    const isTrip = start_s % 1800 < 2;
    const mean = 6e5 + 3e4 * Math.sin(start_s / 900) + (isTrip ? 5e4 : 0);
    const spread = isTrip ? 3.5e5 : 4e3 + 2e3 * Math.sin(start_s);
    return {
      start_s,
      count: 1000,
      min: mean - spread,
      max: mean + spread,
      mean,
      squares: 999 * 2e3 ** 2,
      flags: start_s % 1800 === 900 ? 1 : 0,
    };
  };
  const isMissed = (start_s: number) => end_s - start_s > 1200 && end_s - start_s < 1500;
  const seconds = Array.from({ length: 3 * 3600 }, (_, k) => second(end_s - 3 * 3600 + k)).filter(
    ({ start_s }) => !isMissed(start_s),
  );
  const minutes = Array.from(
    { length: 30 * 1440 },
    (_, k) =>
      coarser(
        [0, 20, 40].map((at) => second(Math.floor(end_s / 60) * 60 - (30 * 1440 - k) * 60 + at)),
        60,
      )[0]!,
  );
  const day = new Date(end_ms).toISOString().slice(0, 10);
  trends.store.add({
    rollups: new Map([[channel, { 1: seconds, 60: minutes, 3600: coarser(minutes, 3600) }]]),
    places: {
      [`load ${leg} ${day}`]: JSON.stringify({
        cycles: 47.5,
        largest_Pa: 6.2e5,
        gate_Pa: 2e4,
        damage_ratio: null,
      }),
    },
  });
  return trends;
}
