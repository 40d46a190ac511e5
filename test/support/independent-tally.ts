/** How many figures of a verdict on an independent record lie inside their intervals, and which do not. */
import type { LegResults, Verdict } from '../../daemon/analysis/verdict.ts';
import type { IndependentRecord } from './independent-records.ts';

/** What the truth of one file says each result should be, in SI. */
function truths(entry: IndependentRecord): readonly (readonly [keyof LegResults, number])[] {
  const { truth } = entry;
  return [
    ['trip', truth.trip_s],
    ['reversal', truth.reversal_after_trip_s],
    ['seating', truth.seating_after_trip_s],
    ['approachVelocity', truth.approach_velocity_m_per_s],
    ['velocityAtSeating', -truth.velocity_at_seating_m_per_s],
    ['largestReverseVelocity', truth.largest_reverse_velocity_m_per_s],
    ['peak', truth.peak_at_valve_bar * 1e5],
    ['staticAfter', truth.static_after_bar * 1e5],
    ['surge', (truth.peak_at_valve_bar - truth.static_after_bar) * 1e5],
    ['decelerationAtReversal', truth.deceleration_at_reversal_m_per_s2],
    ['decelerationMean', truth.approach_velocity_m_per_s / truth.reversal_after_trip_s],
  ];
}

/** What was counted; each text names file, result and how far off it is. */
export interface Tally {
  given: number;
  inside: number;
  readonly outside: string[];
  readonly farOutside: string[];
  readonly withheld: string[];
}

/** Nothing counted yet. */
export function emptyTally(): Tally {
  return { given: 0, inside: 0, outside: [], farOutside: [], withheld: [] };
}

/** Adds one verdict on one file. */
export function count(sum: Tally, entry: IndependentRecord, verdict: Verdict): void {
  const { results } = verdict.legs[0];
  for (const [name, truth] of truths(entry)) {
    const result = results[name];
    if (result.value === null) {
      sum.withheld.push(`${entry.file} ${name}: ${result.reason}`);
      continue;
    }
    sum.given++;
    const side = truth < result.value ? result.value - result.low : result.high - result.value;
    const off = Math.abs(truth - result.value);
    const text = `${entry.file} ${name}: off by ${off.toPrecision(3)}, allowed ${side.toPrecision(3)}`;
    if (off <= side) sum.inside++;
    else sum.outside.push(text);
    if (off > 2 * side) sum.farOutside.push(text);
  }
}
