/** Results of the ring-down and of what the pipe had to carry: wave speed, frequency, decay, re-openings, anchor load. */

import { range } from '../../statistics/samples.ts';
import { coverage, ofInterval, together } from '../../statistics/uncertainty.ts';
import type { Facts } from '../finding/facts.ts';
import { ringWaveSpeed } from '../finding/ring.ts';
import { afterTrip } from '../finding/trip.ts';
import { bounded, measured, withheld } from '../result.ts';
import type { LegResults, Result } from '../verdict.ts';
import type { Capture } from './corrected-peak.ts';
import { noSeating } from './instants.ts';
import { largestDifference, peakWithheld } from './pressures.ts';

/**
 * The oscillation must explain this share of the energy to be believed. The limit of 0.7 (0.8 after a softened closure,
 * whose valve opens again and again) keeps wave speeds that are wrong by more than 5 % out of random simulated trips.
 */
const believed = 0.7;
const believedSoftened = 0.8;

export type RingResults = Pick<
  LegResults,
  'waveSpeed' | 'ringFrequency' | 'ringDecay' | 'reopenings' | 'anchorLoad'
>;

/** `waveSpeed` is the ring-down's here; `waveSpeedsOf` puts the two taps beside it. */
export function ringResults(facts: Facts, capture: Capture | null, equivalent: Result): RingResults {
  const { seat, settled, frame, trip } = facts;
  const none = seat === null ? noSeating : withheld('the record ends before the outlet settles');
  const anchorLoad = anchor(facts, capture, equivalent);
  const reopenings = seat === null ? noSeating : reopen(facts);
  const ring = settled?.ring ?? null;
  if (seat === null || ring === null) {
    return { waveSpeed: none, ringFrequency: none, ringDecay: none, reopenings, anchorLoad };
  }
  if (ring.explained < (seat.isSoftened === false ? believed : believedSoftened)) {
    const weak = withheld(
      `the ring-down explains only ${Math.round(ring.explained * 100)} % of what the outlet does after seating`,
    );
    return { waveSpeed: weak, ringFrequency: weak, ringDecay: weak, reopenings, anchorLoad };
  }
  const span = afterTrip(trip, ring.span);
  const { leg } = frame;
  const speed = ringWaveSpeed(ring, leg.length_m, ofInterval(leg.lengthHalfWidth_m), leg.inertiaRatio);
  return {
    waveSpeed: measured(
      speed.value,
      'm/s',
      speed.uncertainty,
      'ring-down, corrected for the inertia of the end',
      span,
    ),
    ringFrequency: measured(
      ring.frequency_Hz,
      'Hz',
      together(ring.frequencyUncertainty_Hz, 0.001 * ring.frequency_Hz),
      'damped oscillation fitted to the outlet',
      span,
    ),
    ringDecay: bounded(
      ring.decay_s,
      's',
      0.7 * ring.decay_s,
      1.4 * ring.decay_s,
      'envelope of the fitted oscillation',
      span,
    ),
    reopenings,
    anchorLoad,
  };
}

/** Spells after seating in which the inlet stands above the outlet by more than noise: the water opens the valve then. */
function reopen(facts: Facts): Result {
  const { frame, seat } = facts;
  if (frame.inlet === null || seat === null) return withheld('there is no inlet tap in this leg');
  const { time_s, value } = frame.difference;
  const { plateau_s } = frame.constants;
  if (frame.constants.perPlateau < 4) return withheld('sampling is too slow to see the valve re-open');
  const [first, end] = range(time_s, { from_s: seat.at_s + 0.5 * plateau_s, to_s: seat.at_s + 3 });
  const least = Math.max(4 * frame.differenceSigma, 0.05e5);
  let count = 0;
  let isOpen = false;
  for (let k = first; k < end; k++) {
    if (!isOpen && value[k] < -least && (value[k + 1] ?? 0) < -least) {
      count++;
      isOpen = true;
    } else if (isOpen && value[k] > least) isOpen = false;
  }
  return bounded(
    count,
    '1',
    Math.max(0, count - 1),
    count + 1,
    'spells with the inlet above the outlet after seating',
  );
}

/**
 * Load on the pipe's anchor in N: largest outlet - inlet after seating times the bore area. Without an inlet tap the
 * fall at the inlet is taken to equal the rise at the outlet (2 density a V + density L d), the inlet not falling below
 * 0.99 bar under the atmosphere.
 */
function anchor(facts: Facts, capture: Capture | null, equivalent: Result): Result {
  const { frame, seat, settled, peak, trip, sag_Pa } = facts;
  if (seat === null) return noSeating;
  const { area_m2, density_kgpm3, waveSpeed_mps } = frame.constants;
  const reason = peakWithheld(facts);
  if (reason !== null || capture === null || peak === null || settled === null) {
    return withheld(reason ?? 'the record ends before the outlet settles');
  }
  const missed_Pa = Math.max(0, capture.corrected_Pa - peak.raw_Pa);
  const difference = largestDifference(facts);
  if (difference !== null) {
    const at = afterTrip(trip, { from_s: difference.at_s, to_s: difference.at_s });
    const value = (difference.value + missed_Pa) * area_m2;
    const down = together(capture.corrected_Pa - capture.low_Pa, coverage * frame.differenceSigma) * area_m2;
    const up =
      together(
        capture.high_Pa - capture.corrected_Pa,
        coverage * frame.differenceSigma,
        0.03 * difference.value,
      ) * area_m2;
    return bounded(
      value,
      'N',
      value - down,
      value + up,
      'largest outlet - inlet after seating x bore area',
      at,
    );
  }
  if (equivalent.value === null) return equivalent;
  const impedance = density_kgpm3 * waveSpeed_mps;
  const inletBefore_Pa = seat.before_Pa;
  const load = (velocity: number) => {
    const fall_Pa = Math.min(impedance * velocity, inletBefore_Pa + 0.99e5);
    return (impedance * velocity + fall_Pa + Math.max(0, sag_Pa ?? 0)) * area_m2;
  };
  return bounded(
    load(equivalent.value),
    'N',
    load(equivalent.low) * 0.85,
    load(equivalent.high) * 1.15,
    'estimated without an inlet tap: 2 density x wave speed x equivalent velocity + density x L x deceleration',
  );
}
