/** Results of the ring-down and of what the pipe had to carry: wave speed, frequency, decay, re-openings, anchor load. */
import { joukowskyStep_Pa } from '../../hydraulics/joukowsky.ts';
import { range } from '../../statistics/samples.ts';
import { coverage, ofInterval, together } from '../../statistics/uncertainty.ts';
import type { Facts } from '../finding/facts.ts';
import { ringWaveSpeed } from '../finding/ring.ts';
import { afterTrip } from '../finding/trip.ts';
import { measured, withheld } from '../result.ts';
import type { LegResults, Result } from '../verdict.ts';
import { type Effect, scaled } from './budget.ts';
import { largestDifference } from './pressures.ts';
import { lackWords, noInlet, noSeating, peakUnseen, unsettled } from './reasons.ts';
import { type Ground, peakEffects } from './shared-effects.ts';
import { stated } from './stated.ts';

/**
 * The oscillation must explain this share of the energy to be believed. The limit of 0.7 (0.8 after a softened closure,
 * whose valve opens again and again) keeps wave speeds that are wrong by more than 5 % out of random simulated trips.
 */
const believed = 0.7;
const believedSoftened = 0.8;

export type RingResults = Pick<LegResults, 'ringFrequency' | 'ringDecay' | 'reopenings' | 'anchorLoad'>;

/** All but the wave speed, which `waveSpeedsOf` has; never throws. */
export function ringResults(ground: Ground, equivalent: Result): RingResults {
  const { facts } = ground;
  return {
    ...oscillation(facts),
    reopenings: facts.seat === null ? noSeating : reopen(facts),
    anchorLoad: anchor(ground, equivalent),
  };
}

/** The ring as it may be published, or why not. */
function believedRing({ seat, settled }: Facts) {
  if (seat === null) return noSeating;
  const ring = settled?.ring ?? null;
  if (ring === null) return unsettled;
  if (ring.explained >= (seat.isSoftened === false ? believed : believedSoftened)) return ring;
  return withheld(
    `the ring-down explains only ${Math.round(ring.explained * 100)} % of what the outlet does after seating`,
  );
}

/** Wave speed by the ring-down, in m/s, without a budget. */
export function ringDownSpeed(facts: Facts): Result {
  const ring = believedRing(facts);
  if ('reason' in ring) return ring;
  const { leg } = facts.signals;
  const { value, uncertainty } = ringWaveSpeed(
    ring,
    leg.length_m,
    ofInterval(leg.lengthHalfWidth_m),
    leg.inertiaRatio,
  );
  const span = afterTrip(facts.trip, ring.span);
  return measured(value, 'm/s', uncertainty, 'ring-down, corrected for the inertia of the end', span);
}

function oscillation(facts: Facts): Pick<RingResults, 'ringFrequency' | 'ringDecay'> {
  const ring = believedRing(facts);
  if ('reason' in ring) return { ringFrequency: ring, ringDecay: ring };
  const span = afterTrip(facts.trip, ring.span);
  return {
    ringFrequency: stated('ringFrequency', {
      value: ring.frequency_Hz,
      method: 'damped oscillation fitted to the outlet',
      span,
      effects: [
        ['noise', ring.frequencyUncertainty_Hz],
        ['method', 0.001 * ring.frequency_Hz],
      ],
    }),
    ringDecay: stated('ringDecay', {
      value: ring.decay_s,
      low: 0.7 * ring.decay_s,
      high: 1.4 * ring.decay_s,
      method: 'envelope of the fitted oscillation',
      span,
      effects: [],
    }),
  };
}

/** Spells after seating in which the inlet stands above the outlet by more than noise: the water opens the valve then. */
function reopen(facts: Facts): Result {
  const { signals, seat } = facts;
  if (signals.inlet === null || seat === null) return noInlet;
  const { time_s, value } = signals.difference;
  const { plateau_s } = signals.constants;
  if (signals.constants.perPlateau < 4) return withheld('sampling is too slow to see the valve re-open');
  const [first, end] = range(time_s, { from_s: seat.at_s + 0.5 * plateau_s, to_s: seat.at_s + 3 });
  const least = Math.max(4 * signals.differenceSigma, 0.05e5);
  let count = 0;
  let isOpen = false;
  for (let k = first; k < end; k++) {
    if (!isOpen && value[k] < -least && (value[k + 1] ?? 0) < -least) {
      count++;
      isOpen = true;
    } else if (isOpen && value[k] > least) isOpen = false;
  }
  return stated('reopenings', {
    value: count,
    low: count - 1,
    high: count + 1,
    least: 0,
    method: 'spells with the inlet above the outlet after seating',
    effects: [],
  });
}

/**
 * Load on the pipe's anchor in N: largest outlet - inlet after seating times the bore area. Without an inlet tap the
 * fall at the inlet is taken to equal the rise at the outlet (2 density a V + density L d), the inlet not falling below
 * 0.99 bar under the atmosphere.
 */
function anchor(ground: Ground, equivalent: Result): Result {
  const { facts, corrected } = ground;
  const { signals, seat, settled, peak } = facts;
  if (seat === null) return noSeating;
  const unseen = peakUnseen(facts);
  if (unseen !== null) return unseen;
  if (corrected === null || peak === null || settled === null) return unsettled;
  const { area_m2 } = signals.constants;
  const effects = scaled(peakEffects(ground), area_m2);
  const difference = largestDifference(facts);
  if (difference === null) return withoutInlet(facts, equivalent, effects);
  const { corrected_Pa, low_Pa, high_Pa } = corrected;
  const missed_Pa = Math.max(0, corrected_Pa - peak.raw_Pa);
  const value = (difference.value + missed_Pa) * area_m2;
  const noise_Pa = coverage * signals.differenceSigma;
  if (facts.reach !== null) {
    const vapour_Pa = ground.record.liquid.vapourPressure_PaAbs - ground.record.atmosphere_PaAbs;
    return stated('anchorLoad', {
      value: difference.value * area_m2,
      low: (difference.value - noise_Pa) * area_m2,
      high: Math.max(difference.value + noise_Pa, facts.reach.top_Pa - vapour_Pa) * area_m2,
      bound: 'lower',
      method: `largest outlet - inlet of the samples x bore area, a lower bound: ${lackWords(facts)} at the seating`,
      effects,
    });
  }
  return stated('anchorLoad', {
    value,
    low: value - together(corrected_Pa - low_Pa, noise_Pa) * area_m2,
    high: value + together(high_Pa - corrected_Pa, noise_Pa, 0.03 * difference.value) * area_m2,
    method: 'largest outlet - inlet after seating x bore area',
    span: afterTrip(facts.trip, { from_s: difference.at_s, to_s: difference.at_s }),
    effects,
  });
}

function withoutInlet(
  { signals, seat, sag_Pa }: Facts,
  equivalent: Result,
  effects: readonly Effect[],
): Result {
  if (equivalent.value === null || seat === null) return equivalent;
  const { area_m2, density_kgpm3, waveSpeed_mps } = signals.constants;
  const load = (velocity_mps: number) => {
    const rise_Pa = joukowskyStep_Pa(density_kgpm3, waveSpeed_mps, velocity_mps);
    const fall_Pa = Math.min(rise_Pa, seat.before_Pa + 0.99e5);
    return (rise_Pa + fall_Pa + Math.max(0, sag_Pa ?? 0)) * area_m2;
  };
  return stated('anchorLoad', {
    value: load(equivalent.value),
    low: load(equivalent.low) * 0.85,
    high: load(equivalent.high) * 1.15,
    method:
      'estimated without an inlet tap: 2 density x wave speed x equivalent velocity + density x L x deceleration',
    effects,
  });
}
