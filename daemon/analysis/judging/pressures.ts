/** Results that are pressures: statics, peak, surge, sag, step, and what the pipe makes of them. Pa, gauge. */

import { joukowskyStep_Pa } from '../../hydraulics/joukowsky.ts';
import { differenceUncertainty, readingUncertainty } from '../../instruments/reading-doubt.ts';
import { lineUncertainty, onLine } from '../../statistics/fit.ts';
import { indexOfLargest, indexOfSmallest, range, type Span } from '../../statistics/samples.ts';
import { coverage, together } from '../../statistics/uncertainty.ts';
import type { Facts } from '../finding/facts.ts';
import { steadyLine, steadySpan } from '../finding/levels.ts';
import { afterTrip } from '../finding/trip.ts';
import { withheld } from '../result.ts';
import type { LegResults, Result } from '../verdict.ts';
import { type Effect, scaled } from './budget.ts';
import { type CorrectedPeak, overshoot_Pa } from './corrected-peak.ts';
import {
  isCutOff,
  isPeakOpen,
  lackWords,
  noMotion,
  noRating,
  noSeating,
  noTrip,
  peakUnseen,
  stepUnseen,
  unsettled,
} from './reasons.ts';
import {
  contactDoubt_mps,
  differenceEffects,
  type Ground,
  peakEffects,
  readingEffects,
  staticEffects,
  stepEffects,
} from './shared-effects.ts';
import { type Statement, stated } from './stated.ts';

export type PressureResults = Pick<
  LegResults,
  | 'staticBefore'
  | 'staticAfter'
  | 'peakRaw'
  | 'peak'
  | 'minimum'
  | 'captureFraction'
  | 'surgeRaw'
  | 'surge'
  | 'surgeOverBefore'
  | 'sag'
  | 'seatingStep'
  | 'ratingMargin'
>;

/** What a level of the outlet is good to besides its noise: drift and ripple over its window, in Pa. */
const levelDoubt_Pa = 0.002e5;
const byCorrection = 'largest sample, corrected for sampling, sensor lag, noise and way to the seat';

/**
 * Levels, peaks and surges of the outlet, gauge Pa (differences in Pa), windows in s after the trip. A result whose
 * ground is missing is withheld with the reason; never throws.
 */
export function pressureResults(ground: Ground): PressureResults {
  const { facts, corrected } = ground;
  const { seat, peak } = facts;
  const staticBefore = beforeResult(facts);
  const minimum = lowest(facts);
  if (seat === null || peak === null) {
    return {
      staticBefore,
      staticAfter: noSeating,
      peakRaw: noSeating,
      peak: noSeating,
      minimum,
      captureFraction: noSeating,
      surgeRaw: noSeating,
      surge: noSeating,
      surgeOverBefore: noSeating,
      sag: noSeating,
      seatingStep: noSeating,
      ratingMargin: noSeating,
    };
  }
  const raw = isPeakOpen(facts) ? openPeak(facts, peak.raw_Pa) : rawPeak(facts, corrected, peak.raw_Pa);
  const over = surges(ground, raw, staticBefore);
  const peakResult = byCorrected(ground, (peak) => correctedPeakResult(ground, peak));
  return {
    staticBefore,
    staticAfter: afterResult(facts),
    peakRaw: rawResult(ground, raw),
    peak: peakResult,
    minimum: openMinimum(ground, minimum),
    captureFraction: isPeakOpen(facts)
      ? withheld(`the peak may lie in a gap: ${lackWords(facts)}`)
      : corrected === null
        ? unsettled
        : shareResult(corrected),
    ...over,
    sag: sagResult(facts),
    seatingStep: stepResult(facts),
    ratingMargin: marginResult(ground, peakResult),
  };
}

/** A peak and the ends between which it lies without its calibration, in Pa. */
interface Reach {
  readonly value_Pa: number;
  readonly low_Pa: number;
  readonly high_Pa: number;
}

/** At least the largest sample, at most what the column can have made in the samples that are missing. */
function openPeak(facts: Facts, raw_Pa: number): Reach {
  const noise_Pa = coverage * rawNoise_Pa(facts);
  const high_Pa = Math.max(raw_Pa + noise_Pa, facts.reach?.top_Pa ?? raw_Pa);
  return { value_Pa: raw_Pa, low_Pa: raw_Pa - noise_Pa, high_Pa };
}

const reachOf = ({ corrected_Pa, low_Pa, high_Pa }: CorrectedPeak): Reach => ({
  value_Pa: corrected_Pa,
  low_Pa,
  high_Pa,
});

function byCorrected({ facts, corrected }: Ground, build: (peak: Reach) => Result): Result {
  if (isPeakOpen(facts) && facts.peak !== null) return build(openPeak(facts, facts.peak.raw_Pa));
  return peakUnseen(facts) ?? (corrected === null ? unsettled : build(reachOf(corrected)));
}

/** A largest sample can only be too low: it reaches up to what the correction allows. */
function rawPeak(facts: Facts, corrected: CorrectedPeak | null, raw_Pa: number): Reach {
  const noise = rawNoise_Pa(facts);
  const level_Pa = facts.static_Pa ?? raw_Pa;
  const isUnseen = peakUnseen(facts) !== null;
  const { density_kgpm3, waveSpeed_mps } = facts.signals.constants;
  const stopped_mps = facts.approach_mps?.value ?? facts.motion?.approach_mps.value ?? 0;
  return {
    value_Pa: raw_Pa,
    low_Pa: raw_Pa - together(coverage * noise, overshoot_Pa(facts)),
    high_Pa: Math.max(
      raw_Pa + coverage * noise,
      corrected?.high_Pa ?? 0,
      // Where no corrected peak can be given, the true surge may well be twice what was seen.
      isUnseen ? 2 * raw_Pa - level_Pa : 0,
      // Over the top of the range nothing is seen: a column that parts and comes back makes up to twice the Joukowsky pressure of
      // its velocity (Bergant, Simpson and Tijsseling 2006, from memory).
      isUnseen && isCutOff(facts)
        ? level_Pa + 2 * joukowskyStep_Pa(density_kgpm3, waveSpeed_mps, stopped_mps)
        : 0,
    ),
  };
}

function rawNoise_Pa({ signals }: Facts): number {
  return together(signals.outlet.sigma * 0.7, 0.001e5);
}

function atPeak({ peak, trip }: Facts): Span | null {
  return peak === null ? null : afterTrip(trip, { from_s: peak.at_s, to_s: peak.at_s });
}

function beforeResult({ signals: { outlet }, trip }: Facts): Result {
  const line = trip === null ? null : steadyLine(outlet.samples, trip.at_s);
  if (trip === null) return noTrip;
  if (line === null) return withheld('too little is recorded before the trip');
  const value = onLine(line, trip.at_s);
  return stated('staticBefore', {
    value,
    method: 'line through the outlet before the trip',
    span: afterTrip(trip, steadySpan(trip.at_s)),
    effects: [
      ...readingEffects(outlet.series.channel, value),
      ['noise', lineUncertainty(line, trip.at_s)],
      ['method', levelDoubt_Pa],
    ],
  });
}

function afterResult(facts: Facts): Result {
  const { settled, static_Pa, trip, signals } = facts;
  if (settled === null || static_Pa === null) return unsettled;
  return stated('staticAfter', {
    value: static_Pa,
    method: `${settled.method}, 50 ms after seating`,
    span: afterTrip(trip, settled.span),
    effects: [
      ...readingEffects(signals.outlet.series.channel, static_Pa),
      ...staticEffects(facts),
      ['method', levelDoubt_Pa],
    ],
  });
}

function rawResult(ground: Ground, { value_Pa, high_Pa }: Reach): Result {
  const { facts } = ground;
  const { channel } = facts.signals.outlet.series;
  const doubt_Pa = coverage * together(rawNoise_Pa(facts), readingUncertainty(channel, value_Pa));
  return stated('peakRaw', {
    value: value_Pa,
    low: value_Pa - doubt_Pa,
    high: value_Pa + together(high_Pa - value_Pa, doubt_Pa),
    ...openWords(facts, 'largest sample of the outlet'),
    span: atPeak(facts),
    effects: [...readingEffects(channel, value_Pa), ...peakEffects(ground)],
  });
}

function correctedPeakResult(ground: Ground, { value_Pa: corrected_Pa, low_Pa, high_Pa }: Reach): Result {
  const { facts } = ground;
  const { channel } = facts.signals.outlet.series;
  const u = coverage * readingUncertainty(channel, corrected_Pa);
  return stated('peak', {
    value: corrected_Pa,
    low: corrected_Pa - together(corrected_Pa - low_Pa, u),
    high: corrected_Pa + together(high_Pa - corrected_Pa, u),
    ...openWords(facts, byCorrection),
    span: atPeak(facts),
    effects: [...readingEffects(channel, corrected_Pa), ...peakEffects(ground)],
  });
}

function shareResult({ fraction, worst, bySampling_Pa, byLag_Pa }: CorrectedPeak): Result {
  return stated('captureFraction', {
    value: fraction,
    low: worst,
    high: 1,
    method: 'samples on the plateau and response time of the sensor',
    // Their proportion alone is known: both are scaled to the interval.
    effects: [
      ['sampling', bySampling_Pa],
      ['sensor-lag', byLag_Pa],
    ],
  });
}

/** How a peak was found, and that it is a lower bound where samples are missing. */
function openWords(facts: Facts, method: string): Pick<Statement, 'method' | 'bound'> {
  if (!isPeakOpen(facts)) return { method };
  return { method: `largest sample, a lower bound: ${lackWords(facts)} at the seating`, bound: 'lower' };
}

/** A level that a peak is taken over: its value, its doubt in Pa without the calibration, and its effects on the difference. */
interface Base {
  readonly level_Pa: number;
  readonly doubt_Pa: number;
  readonly effects: readonly Effect[];
}

function surges(
  ground: Ground,
  raw: Reach,
  staticBefore: Result,
): Pick<PressureResults, 'surgeRaw' | 'surge' | 'surgeOverBefore'> {
  const { facts } = ground;
  const { static_Pa, settled, trip, signals } = facts;
  const settledU = settled === null ? 0 : together(settled.uncertainty_Pa, levelDoubt_Pa);
  const after: Base | null =
    static_Pa === null
      ? null
      : { level_Pa: static_Pa, doubt_Pa: settledU, effects: scaled(staticEffects(facts), -1) };
  const line = trip === null ? null : steadyLine(signals.outlet.samples, trip.at_s);
  const before: Base | null =
    trip === null || line === null
      ? null
      : {
          level_Pa: onLine(line, trip.at_s),
          doubt_Pa: 0.003e5,
          effects: [['noise', lineUncertainty(line, trip.at_s)]],
        };
  const overSettled = 'largest sample less static after';
  return {
    surgeRaw: after === null ? unsettled : overResult(ground, 'surgeRaw', raw, after, overSettled),
    surge: byCorrected(ground, (peak) =>
      after === null
        ? unsettled
        : overResult(ground, 'surge', peak, after, `${byCorrection}; less static after`),
    ),
    surgeOverBefore: byCorrected(ground, (peak) =>
      before === null
        ? staticBefore
        : overResult(ground, 'surgeOverBefore', peak, before, `${byCorrection}; less static before`),
    ),
  };
}

function overResult(
  ground: Ground,
  name: 'surgeRaw' | 'surge' | 'surgeOverBefore',
  peak: Reach,
  base: Base,
  method: string,
): Result {
  const { channel } = ground.facts.signals.outlet.series;
  const value = peak.value_Pa - base.level_Pa;
  const extra = coverage * together(base.doubt_Pa, differenceUncertainty(channel, value));
  return stated(name, {
    value,
    low: value - together(peak.value_Pa - peak.low_Pa, extra),
    high: value + together(peak.high_Pa - peak.value_Pa, extra),
    ...openWords(ground.facts, method),
    span: atPeak(ground.facts),
    effects: [...differenceEffects(channel, value), ...peakEffects(ground), ...base.effects],
  });
}

function marginResult(ground: Ground, peak: Result): Result {
  if (peak.value === null) return peak;
  const { leg, outlet } = ground.facts.signals;
  const rating_Pa = Math.min(
    leg.rating_Pa ?? Number.POSITIVE_INFINITY,
    leg.valve.rating_Pa ?? Number.POSITIVE_INFINITY,
  );
  if (!Number.isFinite(rating_Pa)) return noRating;
  return stated('ratingMargin', {
    value: rating_Pa - peak.value,
    low: rating_Pa - peak.high,
    high: rating_Pa - peak.low,
    method: 'lower rating of pipe and valve less the corrected peak',
    ...(peak.bound === undefined
      ? {}
      : { bound: 'upper', method: `${peak.method}; under the lower rating of pipe and valve` }),
    effects: scaled([...readingEffects(outlet.series.channel, peak.value), ...peakEffects(ground)], -1),
  });
}

function lowest({ trip, seat, signals: { outlet } }: Facts): Result {
  const { time_s, value } = outlet.samples;
  const from_s = trip?.at_s ?? seat?.at_s ?? null;
  if (from_s === null) return noTrip;
  const [first, end] = range(time_s, { from_s, to_s: Number.POSITIVE_INFINITY });
  const k = indexOfSmallest(value, first, end);
  if (k < 0) return withheld('nothing is recorded after the trip');
  return stated('minimum', {
    value: value[k],
    method: 'smallest sample of the outlet',
    span: afterTrip(trip, { from_s: time_s[k], to_s: time_s[k] }),
    effects: [
      ...readingEffects(outlet.series.channel, value[k]),
      ['noise', outlet.sigma],
      ['method', levelDoubt_Pa],
    ],
  });
}

/** At most the smallest sample, down to what the waves of the hidden slam or vapour allow. */
function openMinimum({ facts, record }: Ground, seen: Result): Result {
  const { reach } = facts;
  if (seen.value === null || reach === null) return seen;
  const vapour_Pa = record.liquid.vapourPressure_PaAbs - record.atmosphere_PaAbs;
  const low = Math.min(seen.low, Math.max(vapour_Pa, reach.bottom_Pa));
  const method = `smallest sample, an upper bound: ${lackWords(facts)} at the seating`;
  return { ...seen, low, bound: 'upper', method };
}

function sagResult(facts: Facts): Result {
  const { seat, settled, sag_Pa, signals } = facts;
  if (seat === null || settled === null || sag_Pa === null) return unsettled;
  return stated('sag', {
    value: sag_Pa,
    method: 'static after less the outlet just before seating',
    effects: [
      ...differenceEffects(signals.outlet.series.channel, sag_Pa),
      ...staticEffects(facts),
      ['noise', seat.beforeUncertainty_Pa],
      // The outlet goes on falling, or rises while the valve throttles, where nobody sees it.
      ['method', seat.hidden === null ? 0 : 0.3 * Math.abs(sag_Pa)],
    ],
  });
}

function stepResult(facts: Facts): Result {
  const { seat, signals, trip } = facts;
  if (seat === null) return noSeating;
  const { front } = seat;
  if (seat.hidden !== null) return hiddenStep(facts);
  if (front === null) return stepUnseen(facts);
  const { density_kgpm3, waveSpeed_mps } = signals.constants;
  const impedance = density_kgpm3 * waveSpeed_mps;
  // As for the velocity at seating, which is this over density x wave speed.
  const shape =
    seat.isSoftened === true
      ? 0.4 * Math.abs(front.step_Pa) + 0.035 * impedance
      : impedance * contactDoubt_mps(facts, front.step_Pa / impedance);
  return stated('seatingStep', {
    value: front.step_Pa,
    method:
      seat.isSoftened === true
        ? 'step left over by the throttling before it, fitted with the sensor lag'
        : 'outlet just after less just before, fitted with the sensor lag',
    span: afterTrip(trip, front),
    effects: [...stepEffects(facts), ['method', shape]],
  });
}

/** At most what stopping the column at once makes; see the velocity at seating. */
function hiddenStep(facts: Facts): Result {
  const { reach, signals } = facts;
  if (reach === null) return noMotion;
  const impedance = signals.constants.density_kgpm3 * signals.constants.waveSpeed_mps;
  return stated('seatingStep', {
    value: impedance * Math.min(reach.likely_mps, reach.fastestAtSeat_mps),
    low: 0,
    high: 1.05 * impedance * reach.fastestAtSeat_mps,
    bound: 'upper',
    method: `at most what stopping the column at once makes: ${lackWords(facts)} at the seating`,
    effects: [],
  });
}

/**
 * Largest outlet less inlet after seating, in Pa, and its instant in s from the origin; positive is what the shut valve holds.
 * Null without an inlet or a seating.
 */
export function largestDifference(facts: Facts): { readonly value: number; readonly at_s: number } | null {
  const { signals, seat } = facts;
  if (signals.inlet === null || seat === null) return null;
  const { time_s, value } = signals.difference;
  const [first, end] = range(time_s, { from_s: seat.at_s, to_s: Number.POSITIVE_INFINITY });
  const k = indexOfLargest(value, first, end);
  return k < 0 ? null : { value: value[k], at_s: time_s[k] };
}
