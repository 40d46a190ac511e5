/** Trends and daily records, fetched when they are looked at. */
import type { LegDayView, TrendView } from '../../daemon/web/wire.ts';
import { fetchLegDays, fetchTrend } from './api.ts';
import { type Fetched, useFetched } from './use-event.ts';

/** Points of a trend: about one a pixel of a wall screen. */
const points = 900;

export function useTrend(channel: string, from_ms: number, to_ms: number): Fetched<TrendView> {
  return useFetched(`${channel}/${from_ms}/${to_ms}`, (signal) =>
    fetchTrend(channel, from_ms, to_ms, points, signal),
  );
}

/** `newest`: of the events; another one loads the days again. */
export function useLegDays(leg: string, newest: string): Fetched<readonly LegDayView[]> {
  return useFetched(`${leg}/${newest}`, (signal) => fetchLegDays(leg, signal));
}
