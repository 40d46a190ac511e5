/** Results that are instants and durations. All in s after the trip, except the trip itself (record's clock). */

import { coverage, type Estimate, together } from '../../statistics/uncertainty.ts';
import type { Facts } from '../finding/facts.ts';
import { afterTrip, type Trip } from '../finding/trip.ts';
import { bounded, measured, withheld } from '../result.ts';
import type { LegResults, Result } from '../verdict.ts';

const noTrip = withheld('the instant of the trip is not known');

/** Why there is no closing. */
export const noSeating = withheld('no closing of the valve was found in this record');

/** Standard uncertainty of the trip in s: its 95 % interval over twice the coverage factor. */
export function tripUncertainty_s(trip: Trip): number {
  return (trip.high_s - trip.low_s) / (2 * coverage);
}

export type InstantResults = Pick<
  LegResults,
  'trip' | 'reversal' | 'seating' | 'closingTime' | 'stopTime' | 'reverseFlowTime' | 'discTravelTime'
>;

/**
 * Instants and durations in s after the trip, the trip itself on the record's clock: `origin_s` turns one into the other.
 * Each withheld with its reason where what it rests on is missing; never throws.
 */
export function instantResults(facts: Facts, origin_s: number): InstantResults {
  const { trip, seat, reversal } = facts;
  const from: Result =
    trip === null
      ? noTrip
      : bounded(trip.at_s + origin_s, 's', trip.low_s + origin_s, trip.high_s + origin_s, trip.method);
  const sinceTrip = (at: Estimate, method: string, late_s = 0, early_s = 0): Result => {
    if (trip === null) return noTrip;
    const value = at.value - trip.at_s;
    const half_s = coverage * together(at.uncertainty, tripUncertainty_s(trip));
    return bounded(value, 's', value - half_s - early_s, value + half_s + late_s, method);
  };
  const seating: Result =
    seat === null
      ? noSeating
      : sinceTrip(
          { value: seat.at_s, uncertainty: seat.uncertainty_s },
          seat.front === null
            ? 'half of the step, less sensor lag and way to the tap'
            : 'front fitted between samples',
          seat.late_s,
          seat.early_s,
        );
  const reversed: Result =
    seat === null
      ? noSeating
      : reversal === null
        ? withheld(reversalReason(facts))
        : sinceTrip(reversal, 'velocity from the impulse through zero');
  return {
    trip: from,
    reversal: reversed,
    seating,
    closingTime: seating,
    stopTime: reversed,
    reverseFlowTime: reverseFlow(facts, reversed),
    discTravelTime: discTravel(facts),
  };
}

function reversalReason(facts: Facts): string {
  if (facts.trip === null)
    return 'the instant of the trip is not known, so the flow cannot be followed from it';
  if (facts.motion === null)
    return 'the record ends before the outlet settles, so the flow cannot be followed';
  return 'the velocity does not fall through zero before the seating: the valve closed before reversal, or too near to it to tell';
}

function reverseFlow(facts: Facts, reversed: Result): Result {
  const { seat, reversal } = facts;
  if (seat === null) return noSeating;
  if (reversal === null || reversed.value === null) return reversed;
  // After a closure that is not sharp the rest to which the impulse is tied is less sure than its scatter says.
  const uncertainty_s =
    (seat.isSoftened === false ? 1 : 1.3) * together(reversal.uncertainty, seat.uncertainty_s);
  const value = Math.max(0, seat.at_s - reversal.value);
  return bounded(
    value,
    's',
    Math.max(0, value - coverage * uncertainty_s - seat.early_s),
    value + coverage * uncertainty_s + seat.late_s,
    'seating less reversal',
  );
}

/** From the first move of the disc off its steady place until it lies on the seat. */
function discTravel(facts: Facts): Result {
  const { trip, seat } = facts;
  const position = facts.frame.position;
  if (position === null) return withheld('the disc position is not measured');
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
  const uncertainty_s = together(position.step_s / Math.sqrt(3), 0.002);
  return measured(
    time_s[lands] - time_s[starts],
    's',
    uncertainty_s,
    'disc position from its first move to the seat',
    afterTrip(trip, { from_s: time_s[starts], to_s: time_s[lands] }),
  );
}
