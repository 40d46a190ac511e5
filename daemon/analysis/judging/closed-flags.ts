/** Flags of a leg whose valve closed: how it closed, what the instruments say of it, whether it struck again. */

import { indexAt, indexOfLargest, range } from '../../statistics/samples.ts';
import type { Facts } from '../finding/facts.ts';
import type { Seat } from '../finding/seat.ts';
import type { EventRecord } from '../record.ts';
import { isMeasured } from '../result.ts';
import type { Flag, LegResults } from '../verdict.ts';
import { crossChecks } from './cross-checks.ts';
import { cavitation, flag, misaligned, tappingLine } from './tap-flags.ts';

/** Facts of a leg whose closing was found. */
export type ClosedFacts = Facts & { readonly seat: Seat };

/** The flags in the order in which a reader meets their subjects; empty without a reservation, never throws. */
export function closedFlags(record: EventRecord, facts: ClosedFacts, results: LegResults): Flag[] {
  return [
    ...softened(facts),
    ...slowMeter(facts, results),
    ...cavitation(record, facts),
    ...tapsDisagree(results),
    ...misaligned(facts),
    ...tappingLine(facts),
    ...withoutReversal(facts),
    ...struckAgain(facts),
    ...crossChecks(facts),
  ];
}

function softened({ seat }: ClosedFacts): Flag[] {
  if (seat.isSoftened === true) {
    const rise = `${((seat.rise_s ?? 0) * 1e3).toFixed(0)} ms`;
    return [
      flag(
        'softened-closure',
        `Softened closure: ${rise} rise before seating. The equivalent velocity describes the slam, not the fastest reverse flow.`,
      ),
    ];
  }
  const cannotTell =
    seat.hidden !== null || seat.rise_s !== null
      ? 'Missing samples leave it open whether the closure was sharp or softened.'
      : 'Sampling or sensor is too slow to distinguish a sharp closure from a softened one.';
  return seat.isSoftened === null ? [flag('softened-unknown', cannotTell)] : [];
}

/** A meter that needs longer to follow than a tenth of the reverse flow lasts shows little of it. */
function slowMeter({ signals: { meter } }: ClosedFacts, results: LegResults): Flag[] {
  const { largestReverseVelocity: reverse, decelerationAtReversal: deceleration } = results;
  if (meter === null || !isMeasured(reverse) || !isMeasured(deceleration)) return [];
  const lag_s = meter.series.channel.responseTime_s;
  if (!(lag_s > (0.1 * reverse.value) / Math.max(0.1, deceleration.value))) return [];
  return [
    flag(
      'meter-lag-dominates',
      `Meter too slow (${(lag_s * 1e3).toFixed(0)} ms) for reverse flow; used before the trip only.`,
    ),
  ];
}

/** The velocity at seating by both taps: apart by more than their intervals allow. */
function tapsDisagree({ inletReverseVelocity: inlet, velocityAtSeating: outlet }: LegResults): Flag[] {
  if (!isMeasured(inlet) || !isMeasured(outlet) || !inlet.method.startsWith('fall')) return [];
  const apart = Math.abs(inlet.value - outlet.value);
  const allowed = (inlet.high - inlet.low) / 2 + (outlet.high - outlet.low) / 2;
  if (!(apart > allowed && apart > 0.15 * outlet.value + 0.02)) return [];
  return [
    flag(
      'taps-disagree',
      `Inlet and outlet disagree about the velocity at seating: ${inlet.value.toFixed(2)} and ${outlet.value.toFixed(2)} m/s.`,
    ),
  ];
}

/** A seating without a reversal before it: the flow still ran forward, or it cannot be told. */
function withoutReversal({ seat, motion, trip, reversal }: ClosedFacts): Flag[] {
  if (motion === null || trip === null || reversal !== null) return [];
  const end = motion.velocity.value[Math.max(0, indexAt(motion.velocity.time_s, seat.at_s) - 1)];
  if (end > 2 * motion.uncertaintyAt(seat.at_s)) {
    return [
      flag('closed-before-reversal', `The valve closed while ${end.toFixed(2)} m/s still ran forward.`, [
        'reversal',
        'largestReverseVelocity',
        'reverseFlowTime',
      ]),
    ];
  }
  return [
    flag('no-reversal', 'The velocity does not surely pass zero before the seating.', [
      'reversal',
      'reverseFlowTime',
      'decelerationMean',
    ]),
  ];
}

/**
 * The largest peak belongs to a later strike: it comes after the pulse of the seating and stands clearly above it. Few samples
 * on the pulse may all miss its top, which rises by twice the sag, by 2 sag / n at worst: a later ring of one impact may show more of it.
 */
function struckAgain({ signals, seat, peak, static_Pa, sag_Pa }: ClosedFacts): Flag[] {
  const { plateau_s, ring_s, perPlateau } = signals.constants;
  if (peak === null || static_Pa === null || !(peak.at_s > seat.at_s + 0.75 * ring_s)) return [];
  const { time_s, value } = signals.outlet.samples;
  const [first, end] = range(time_s, {
    from_s: seat.at_s - 2 * signals.outlet.step_s,
    to_s: seat.at_s + plateau_s * 1.2,
  });
  const k = indexOfLargest(value, first, end);
  const missed_Pa = perPlateau >= 8 ? 0 : (2 * Math.max(0, sag_Pa ?? 0)) / Math.max(1, perPlateau);
  const isHigher = peak.raw_Pa - static_Pa > 1.05 * (value[k] - static_Pa) + missed_Pa;
  if (k < 0 || !(isHigher || perPlateau >= 8)) return [];
  return [
    flag(
      'multiple-impacts',
      `The largest peak comes ${((peak.at_s - seat.at_s) * 1e3).toFixed(0)} ms after the first seating: the valve struck again.`,
    ),
  ];
}
