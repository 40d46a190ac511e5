/** A leg's life day by day (UTC): its trips at their worst, what its pressure did to it, and how long nobody was looking. */

import type { LegResults, Measured } from '../analysis/verdict.ts';
import type { EventRow, WaveSpeedRow } from '../store/event-index.ts';
import { dayOf, loadOf } from './leg-load.ts';
import type { TrendStore } from './trend-store.ts';

/** A number of one event, kept with its interval and where it came from. */
export interface OfEvent {
  readonly value: number;
  readonly low: number;
  readonly high: number;
  readonly event: string;
}

export interface LegDay {
  /** `2026-11-25`. */
  readonly day: string;
  readonly trips: number;
  /** Trips of the class severe. */
  readonly severe: number;
  /** Corrected surge over static, Pa. */
  readonly worstSurge_Pa: OfEvent | null;
  /** Equivalent reverse velocity, m/s. */
  readonly worstReverseVelocity_mps: OfEvent | null;
  /** Mean of the closing times, and how many went into it. */
  readonly closingTime_s: { readonly mean: number; readonly count: number } | null;
  /** Median of the day's ring-downs. */
  readonly waveSpeed_mps: number | null;
  /** Rainflow cycles of the outlet pressure; null where the day was not counted. */
  readonly cycles: number | null;
  readonly largestRange_Pa: number | null;
  /** Miner's sum of the day; null where no fatigue line is known for the pipe. A screening estimate. */
  readonly damage_ratio: number | null;
  /** Time of the day (until now, for today) without a sample of the outlet pressure, in s; null before anything was recorded. */
  readonly downtime_s: number | null;
}

const day_s = 86_400;

export interface LegDaySources {
  readonly leg: string;
  /** Tag of the outlet pressure. */
  readonly outlet: string;
  /** Events of the period, any order. */
  readonly events: readonly EventRow[];
  readonly waveSpeeds: readonly WaveSpeedRow[];
  readonly trends: TrendStore;
  readonly now_ms: number;
}

/** One row a day from the day of `from_ms` to that of `to_ms`, oldest first; days without anything are left out. */
export function legDays(sources: LegDaySources, from_ms: number, to_ms: number): LegDay[] {
  const byDay = Map.groupBy(sources.events, ({ wall_ms }) => dayOf(wall_ms));
  const speeds = Map.groupBy(sources.waveSpeeds, ({ wall_ms }) => dayOf(wall_ms));
  const days: LegDay[] = [];
  const first_ms = Date.parse(dayOf(from_ms));
  for (let at_ms = first_ms; at_ms <= to_ms && at_ms <= sources.now_ms; at_ms += day_s * 1000) {
    const day = dayOf(at_ms);
    const one = legDay(sources, day, byDay.get(day) ?? [], speeds.get(day) ?? []);
    if (one !== null) days.push(one);
  }
  return days;
}

function legDay(
  { leg, outlet, trends, now_ms }: LegDaySources,
  day: string,
  events: readonly EventRow[],
  speeds: readonly WaveSpeedRow[],
): LegDay | null {
  const verdicts = events.flatMap(({ id, source, verdict }) =>
    (verdict?.legs ?? [])
      .filter((each) => each.leg === leg && each.active)
      // A kept window of flowing water holds no trip.
      .filter(({ results }) => source !== 'window' || results.trip.value !== null)
      .map((each) => ({ id, each })),
  );
  const load = loadOf(trends, leg, day);
  const downtime_s = downtime(trends, outlet, day, now_ms);
  if (verdicts.length === 0 && load === null && downtime_s === null) return null;
  const results = verdicts.map(({ id, each }) => ({ id, results: each.results }));
  const closing = results.flatMap(({ results: { closingTime } }) => closingTime.value ?? []);
  const sorted = speeds.map(({ value_mps }) => value_mps).sort((a, b) => a - b);
  return {
    day,
    trips: verdicts.length,
    severe: verdicts.filter(({ each }) => each.severity.class === 'severe').length,
    worstSurge_Pa: worst(results, 'surge'),
    worstReverseVelocity_mps: worst(results, 'equivalentReverseVelocity'),
    closingTime_s:
      closing.length === 0
        ? null
        : { mean: closing.reduce((sum, value) => sum + value, 0) / closing.length, count: closing.length },
    waveSpeed_mps:
      sorted.length === 0 ? null : (sorted[(sorted.length - 1) >> 1]! + sorted[sorted.length >> 1]!) / 2,
    cycles: load?.cycles ?? null,
    largestRange_Pa: load?.largest_Pa ?? null,
    damage_ratio: load?.damage_ratio ?? null,
    downtime_s,
  };
}

function worst(
  of: readonly { readonly id: string; readonly results: LegResults }[],
  name: keyof LegResults,
): OfEvent | null {
  let found: OfEvent | null = null;
  for (const { id, results } of of) {
    const result = results[name];
    if (result.value === null || (found !== null && result.value <= found.value)) continue;
    const { value, low, high } = result as Measured;
    found = { value, low, high, event: id };
  }
  return found;
}

/** Counted in seconds as long as they are kept, then in minutes; the level that saw more counts. */
function downtime(trends: TrendStore, outlet: string, day: string, now_ms: number): number | null {
  const from_s = Date.parse(day) / 1000;
  const to_s = Math.min(from_s + day_s, Math.floor(now_ms / 1000));
  const covered = ([1, 60] as const).map((level_s) => trends.covered_s(outlet, level_s, from_s, to_s));
  const most = Math.max(...covered);
  return most === 0 ? null : Math.max(0, to_s - from_s - most);
}
