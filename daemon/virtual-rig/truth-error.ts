/** How far a verdict is from what really happened; only a simulated rig can be asked. */
import type { LegVerdict, Result } from '../analysis/verdict.ts';
import type { LegTruthOnClock } from './truth.ts';

/** One metric beside its truth, both SI; times in s after the true or the found trip. */
export interface MetricError {
  readonly metric: string;
  readonly unit: string;
  /** Null: withheld. */
  readonly found: number | null;
  readonly truth: number;
  /** found - truth. */
  readonly error: number | null;
  /** Whether the truth lies inside the stated 95 % interval; null when withheld. */
  readonly isInside: boolean | null;
}

/**
 * Every metric that the truth speaks of. The found trip instant is compared on the clock, so a wrong trip shows once and
 * does not hide in the intervals that are counted from it. Reverse velocities are magnitudes.
 */
export function truthErrors(verdict: LegVerdict, truth: LegTruthOnClock): MetricError[] {
  const { results } = verdict;
  const found_s = results.trip.value;
  const rows: MetricError[] = [];
  const add = (metric: string, unit: string, result: Result, truthValue: number | null, shift = 0) => {
    if (truthValue === null) return;
    const found = result.value === null ? null : result.value + shift;
    rows.push({
      metric,
      unit,
      found,
      truth: truthValue,
      error: found === null ? null : found - truthValue,
      isInside:
        result.value === null ? null : result.low + shift <= truthValue && truthValue <= result.high + shift,
    });
  };
  const after = (instant_s: number | null) => (instant_s === null ? null : instant_s - truth.trip_s);
  const tripError_s = found_s === null ? 0 : found_s - truth.trip_s;

  add('trip', 's', results.trip, truth.trip_s);
  add('closing time', 's', results.closingTime, after(truth.seating_s));
  add('stop time', 's', results.stopTime, after(truth.reversal_s));
  // The instants themselves, freed of the trip's own error.
  add('seating instant', 's', results.seating, after(truth.seating_s), tripError_s);
  add('reversal instant', 's', results.reversal, after(truth.reversal_s), tripError_s);
  add('approach velocity', 'm/s', results.approachVelocity, truth.approachVelocity_mps);
  add('static after', 'Pa', results.staticAfter, truth.staticAfter_Pa);
  add('peak', 'Pa', results.peak, truth.peakAtValve_Pa);
  const surge_Pa = truth.staticAfter_Pa === null ? null : truth.peakAtValve_Pa - truth.staticAfter_Pa;
  add('surge', 'Pa', results.surge, surge_Pa);
  add('surge raw', 'Pa', results.surgeRaw, surge_Pa);
  const atSeating_mps =
    truth.velocityAtSeating_mps === null ? null : Math.max(0, -truth.velocityAtSeating_mps);
  add('velocity at seating', 'm/s', results.velocityAtSeating, atSeating_mps);
  add('largest reverse velocity', 'm/s', results.largestReverseVelocity, truth.largestReverseVelocity_mps);
  add('deceleration at reversal', 'm/s2', results.decelerationAtReversal, truth.decelerationAtReversal_mps2);
  add('wave speed', 'm/s', results.waveSpeed, truth.waveSpeed_mps);
  return rows;
}
