/** Results that are instants and durations. All in s after the trip, except the trip itself (record's clock). */
import { coverage, type Estimate, together } from '../../statistics/uncertainty.ts';
import { afterTrip, tripBesides, tripUncertainty_s } from '../finding/trip.ts';
import { delayDoubt_s } from '../reading/leg-signals.ts';
import { withheld } from '../result.ts';
import type { LegResults, Result } from '../verdict.ts';
import { type Effect, scaled } from './budget.ts';
import { lackWords, noPosition, noSeating, noTrip, reversalUnseen } from './reasons.ts';
import { type Ground, reversedEffects, seatedEffects, tripEffects } from './shared-effects.ts';
import { stated } from './stated.ts';

export type InstantResults = Pick<
  LegResults,
  'trip' | 'reversal' | 'seating' | 'closingTime' | 'stopTime' | 'reverseFlowTime' | 'discTravelTime'
>;

/** Each withheld with its reason where what it rests on is missing; never throws. `slowing`: deceleration at reversal. */
export function instantResults(ground: Ground, slowing: Result): InstantResults {
  const seating = seatingResult(ground);
  const reversal = reversalResult(ground, slowing);
  return {
    trip: tripResult(ground),
    reversal,
    seating,
    closingTime: seating,
    stopTime: reversal,
    reverseFlowTime: reverseFlow(ground, reversal, slowing),
    discTravelTime: discTravel(ground),
  };
}

function tripResult(ground: Ground): Result {
  const { facts, origin_s } = ground;
  const { trip } = facts;
  if (trip === null) return noTrip;
  return stated('trip', {
    value: trip.at_s + origin_s,
    low: trip.low_s + origin_s,
    high: trip.high_s + origin_s,
    method: trip.method,
    effects: tripEffects(ground),
  });
}

/** An instant of the record, with its own doubt and effects. */
interface Instant {
  readonly at: Estimate;
  readonly method: string;
  readonly effects: readonly Effect[];
  /** How much earlier or later it may be besides, in s. */
  readonly early_s?: number;
  readonly late_s?: number;
}

function sinceTrip(
  ground: Ground,
  name: 'seating' | 'reversal',
  { at, method, effects, early_s = 0, late_s = 0 }: Instant,
): Result {
  const { trip } = ground.facts;
  if (trip === null) return noTrip;
  const value = at.value - trip.at_s;
  // Instants of the outlet are late together; against the trip, which has another clock, their dead time counts.
  const delay_s = delayDoubt_s(ground.facts.signals.outlet);
  const half_s = coverage * together(at.uncertainty, delay_s, tripUncertainty_s(trip));
  const besides = tripBesides(trip);
  return stated(name, {
    value,
    low: value - half_s - early_s - besides.late_s,
    high: value + half_s + late_s + besides.early_s,
    method,
    effects: [...effects, ...scaled(tripEffects(ground), -1)],
  });
}

function seatingResult(ground: Ground): Result {
  const { seat } = ground.facts;
  if (seat === null) return noSeating;
  return sinceTrip(ground, 'seating', {
    at: { value: seat.at_s, uncertainty: seat.uncertainty_s },
    method:
      seat.hidden !== null
        ? `between the samples beside a gap: ${lackWords(ground.facts)} at the seating`
        : seat.front === null
          ? 'half of the step, less sensor lag and way to the tap'
          : 'front fitted between samples',
    effects: seatedEffects(ground.facts),
    early_s: seat.early_s,
    late_s: seat.late_s,
  });
}

function reversalResult(ground: Ground, slowing: Result): Result {
  const { facts } = ground;
  if (facts.seat === null) return noSeating;
  if (facts.reversal === null) return reversalUnseen(facts);
  return sinceTrip(ground, 'reversal', {
    at: facts.reversal,
    method:
      facts.reversal.early_s + facts.reversal.late_s > 0
        ? `velocity from the impulse through zero; ${lackWords(facts)} there`
        : 'velocity from the impulse through zero',
    effects: reversedEffects(facts, slowing),
    early_s: facts.reversal.early_s,
    late_s: facts.reversal.late_s,
  });
}

function reverseFlow({ facts }: Ground, reversed: Result, slowing: Result): Result {
  const { seat, reversal } = facts;
  if (seat === null) return noSeating;
  if (reversal === null || reversed.value === null) return reversed;
  // After a closure that is not sharp the rest to which the impulse is tied is less sure than its scatter says.
  const uncertainty_s =
    (seat.isSoftened === false ? 1 : 1.3) * together(reversal.uncertainty, seat.uncertainty_s);
  const value = Math.max(0, seat.at_s - reversal.value);
  return stated('reverseFlowTime', {
    value,
    low: value - coverage * uncertainty_s - seat.early_s - reversal.late_s,
    high: value + coverage * uncertainty_s + seat.late_s + reversal.early_s,
    least: 0,
    method: 'seating less reversal',
    effects: [...seatedEffects(facts), ...scaled(reversedEffects(facts, slowing), -1)],
  });
}

/** From the first move of the disc off its steady place until it lies on the seat. */
function discTravel({ facts: { trip, seat, signals } }: Ground): Result {
  const { position } = signals;
  if (position === null) return noPosition;
  if (trip === null) return noTrip;
  if (seat === null) return noSeating;
  const { time_s, value } = position.samples;
  let steady = 0;
  let count = 0;
  for (let k = 0; k < time_s.length && time_s[k] < trip.at_s; k++) {
    if (time_s[k] < trip.at_s - 0.3) continue;
    steady += value[k];
    count++;
  }
  if (count < 3) return withheld('the disc position is not recorded before the trip');
  steady /= count;
  const least = Math.max(0.03, 6 * position.sigma);
  const starts = time_s.findIndex((t, k) => t > trip.at_s && value[k] < steady - least);
  const lands = time_s.findIndex((t, k) => k > starts && t > trip.at_s && value[k] < least);
  if (starts < 0 || lands <= starts) return withheld('the disc position does not show a travel to the seat');
  return stated('discTravelTime', {
    value: time_s[lands] - time_s[starts],
    method: 'disc position from its first move to the seat',
    span: afterTrip(trip, { from_s: time_s[starts], to_s: time_s[lands] }),
    effects: [
      ['sampling', position.step_s / Math.sqrt(3)],
      ['method', 0.002],
    ],
  });
}
