/** What each result of a leg owes its uncertainty to, from the facts it was made of. Same sources and signs throughout. */

import { differenceUncertainty, readingDoubt } from '../../instruments/reading-doubt.ts';
import { lineUncertainty } from '../../statistics/fit.ts';
import { ofInterval, ofRectangle, together } from '../../statistics/uncertainty.ts';
import type { Facts } from '../finding/facts.ts';
import { steadyLine } from '../finding/levels.ts';
import type { EventRecord } from '../record.ts';
import type { LegResults, Result } from '../verdict.ts';
import { type Effect, scaled, withBudget } from './budget.ts';
import type { Capture } from './corrected-peak.ts';
import { tripUncertainty_s } from './instants.ts';

/**
 * The results of a leg with a budget at each number that is not exact: effects in the number's unit for +1 standard
 * uncertainty of the source, shares of the variance that add to 1 (JCGM 100:2008, 5.1). Values and intervals stay.
 */
export function withBudgets(
  record: EventRecord,
  facts: Facts,
  capture: Capture | null,
  results: LegResults,
): LegResults {
  const effects = effectsOf(record, facts, capture, results);
  const entries = Object.entries(results) as [keyof LegResults, Result][];
  return Object.fromEntries(
    entries.map(([name, result]) => [name, withBudget(result, effects[name] ?? [])]),
  ) as unknown as LegResults;
}

/** Standard uncertainties of what all results of a leg share, relative. */
interface Shared {
  readonly density: number;
  readonly waveSpeed: number;
}

function effectsOf(
  record: EventRecord,
  facts: Facts,
  capture: Capture | null,
  results: LegResults,
): Partial<Record<keyof LegResults, readonly Effect[]>> {
  const { leg, liquid, outlet } = facts.frame;
  const shared: Shared = {
    density: ofInterval(liquid.densityHalfWidth_kgpm3) / liquid.density_kgpm3,
    waveSpeed: ofInterval(leg.waveSpeedHalfWidth_mps) / leg.waveSpeed_mps,
  };
  const trip = tripEffects(record, facts);
  const instants = instantEffects(facts, results, shared, trip);
  const pressures = pressureEffects(facts, capture, results);
  const impedance = facts.frame.constants.density_kgpm3 * facts.frame.constants.waveSpeed_mps;
  /** A velocity that is a pressure over density * wave speed, whose effects are `of`. */
  const velocity = (result: Result, of: readonly Effect[]): Effect[] => [
    ...scaled(of, 1 / impedance),
    ['density', -(result.value ?? 0) * shared.density],
    ['wave-speed', -(result.value ?? 0) * shared.waveSpeed],
  ];
  const static_ = staticEffect(facts);
  const lengths = lengthEffects(facts);
  const approach = approachEffects(facts, results);
  const back_Pa = facts.back?.uncertainty_Pa ?? 0;
  const inertia =
    facts.frame.constants.density_kgpm3 * (facts.motion?.length_m.value ?? Number.POSITIVE_INFINITY);
  const atReversal = results.decelerationAtReversal.value ?? 0;
  const stop_s = results.stopTime.value ?? Number.POSITIVE_INFINITY;
  const mean = results.decelerationMean.value ?? 0;
  const byMeter = results.decelerationMeter.value ?? 0;
  const speed = results.approachVelocity.value ?? Number.POSITIVE_INFINITY;
  return {
    ...instants,
    ...pressures,
    approachVelocity: approach,
    velocityAtSeating: velocity(results.velocityAtSeating, pressures.seatingStep ?? []),
    equivalentReverseVelocity: velocity(results.equivalentReverseVelocity, [
      ...peakEffects(facts, capture),
      ...scaled(static_, -1.5),
    ]),
    inletReverseVelocity: [['wave-speed', -(results.inletReverseVelocity.value ?? 0) * shared.waveSpeed]],
    largestReverseVelocity: motionEffects(facts, (results.seating.value ?? 0) + (facts.trip?.at_s ?? 0)),
    decelerationAtReversal: [
      ...scaled(lengths, atReversal),
      ['static-level', -back_Pa / inertia],
      ['noise', outlet.sigma / inertia / Math.sqrt(Math.max(1, 0.02 / outlet.step_s))],
    ],
    decelerationMean: [...scaled(approach, mean / speed), ...scaled(instants.reversal ?? [], -mean / stop_s)],
    decelerationMeter: [
      ...scaled(approach, byMeter / speed),
      ...scaled(trip, byMeter ** 2 / speed),
      ['meter-lag', ((facts.meter?.lag_s.uncertainty ?? 0) * 0.4 * byMeter ** 2) / speed],
    ],
    waveSpeed: waveSpeedEffects(facts, results.waveSpeed),
    ringFrequency: [['noise', facts.settled?.ring?.frequencyUncertainty_Hz ?? 0]],
    captureFraction:
      capture === null
        ? []
        : // Their proportion alone is known: `withBudget` scales both to the interval.
          ([
            ['sampling', capture.bySampling_Pa],
            ['sensor-lag', capture.byLag_Pa],
          ] satisfies Effect[]),
    anchorLoad: scaled(peakEffects(facts, capture), facts.frame.constants.area_m2),
  };
}

/** The trip itself: the contact's delay, when it was sampled, and the knee that sharpens both. */
function tripEffects(record: EventRecord, { trip }: Facts): Effect[] {
  if (trip === null) return [];
  const total = tripUncertainty_s(trip);
  const isContact = trip.source === 'contact';
  const source = isContact ? record.trip.contact : record.trip.pressureSwitch;
  const series = isContact ? record.contact : record.pressureSwitch;
  if (trip.source === 'pressure-knee' || source === null || series === null)
    return [['pressure-knee', total]];
  const [soon_s, late_s] = source.delay_s;
  const [young_s, old_s] = series.channel.delay_s;
  const count = series.time_s.length;
  const step_s = count > 1 ? (series.time_s[count - 1] - series.time_s[0]) / (count - 1) : 0;
  const delay = ofRectangle((late_s - soon_s + old_s - young_s) / 2);
  const sampling = ofRectangle(step_s / 2 + series.halfWidth_s);
  // A mean weighted by 1 / u^2: the edge counts for u^2 / u(edge)^2 of it, the knee for the rest.
  const edge = together(delay, sampling);
  const weight = edge > 0 ? Math.min(1, (total / edge) ** 2) : 0;
  return [
    ['contact-delay', weight * delay],
    ['contact-sampling', weight * sampling],
    ['pressure-knee', Math.sqrt(Math.max(0, total ** 2 - (weight * edge) ** 2))],
  ];
}

function instantEffects(
  facts: Facts,
  results: LegResults,
  shared: Shared,
  trip: readonly Effect[],
): Partial<Record<keyof LegResults, readonly Effect[]>> {
  const { seat, reversal, frame, motion } = facts;
  const { tap_m, waveSpeed_mps } = frame.constants;
  const travel: Effect = ['wave-speed', (tap_m / waveSpeed_mps) * shared.waveSpeed];
  const since = scaled(trip, -1);
  const lag_s = ofInterval(frame.outlet.series.channel.responseTimeHalfWidth_s);
  const front = seat?.front ?? null;
  const seated: Effect[] =
    front === null
      ? [['sampling', frame.outlet.step_s / Math.sqrt(12)], ['sensor-lag', -0.8 * lag_s], travel]
      : [
          ['noise', Math.sqrt(Math.max(0, front.atUncertainty_s ** 2 - front.atByLag_s ** 2))],
          ['sensor-lag', -front.atByLag_s],
          travel,
        ];
  const slowing = results.decelerationAtReversal.value ?? Number.POSITIVE_INFINITY;
  const reversed: Effect[] =
    reversal === null || motion === null
      ? []
      : [
          ...scaled(motionEffects(facts, reversal.value), -1 / slowing),
          ['sensor-lag', -lag_s],
          ['sampling', (front === null ? 0.2 : 0.05) * frame.outlet.step_s],
          travel,
        ];
  return {
    trip,
    seating: [...seated, ...since],
    closingTime: [...seated, ...since],
    reversal: [...reversed, ...since],
    stopTime: [...reversed, ...since],
    reverseFlowTime: [...seated, ...scaled(reversed, -1)],
    discTravelTime: [['sampling', (frame.position?.step_s ?? 0) / Math.sqrt(3)]],
  };
}

/** Peak without the fixed part of the calibration: what every surge shares. In Pa. */
function peakEffects({ frame, peak }: Facts, capture: Capture | null): Effect[] {
  if (capture === null || peak === null) return [];
  return [
    ['sampling', capture.bySampling_Pa / Math.sqrt(3)],
    ['sensor-lag', 0.5 * capture.byLag_Pa],
    ['noise', 0.6 * frame.outlet.sigma],
  ];
}

function staticEffect({ settled }: Facts): Effect[] {
  return settled === null ? [] : [['static-level', settled.uncertainty_Pa]];
}

function pressureEffects(
  facts: Facts,
  capture: Capture | null,
  results: LegResults,
): Partial<Record<keyof LegResults, readonly Effect[]>> {
  const { frame, trip, seat } = facts;
  const { outlet } = frame;
  const { channel } = outlet.series;
  const reading = (result: Result): Effect[] => {
    if (result.value === null) return [];
    const { offset, slope } = readingDoubt(channel, result.value);
    return [
      ['calibration-offset', offset],
      ['calibration-slope', slope],
    ];
  };
  const difference = (result: Result): Effect[] =>
    result.value === null ? [] : [['calibration-slope', differenceUncertainty(channel, result.value)]];
  const before = trip === null ? null : steadyLine(outlet.samples, trip.at_s);
  const peak = peakEffects(facts, capture);
  const static_ = staticEffect(facts);
  const front = seat?.front ?? null;
  const noise: Effect = ['noise', outlet.sigma];
  const atTrip: Effect[] =
    before === null || trip === null ? [] : [['noise', lineUncertainty(before, trip.at_s)]];
  return {
    staticBefore: [...reading(results.staticBefore), ...atTrip],
    staticAfter: [...reading(results.staticAfter), ...static_],
    peakRaw: [...reading(results.peakRaw), ...peak],
    peak: [...reading(results.peak), ...peak],
    ratingMargin: scaled([...reading(results.peak), ...peak], -1),
    minimum: [...reading(results.minimum), noise],
    surgeRaw: [...difference(results.surgeRaw), ...peak, ...scaled(static_, -1)],
    surge: [...difference(results.surge), ...peak, ...scaled(static_, -1)],
    surgeOverBefore: [...difference(results.surgeOverBefore), ...peak, ...atTrip],
    sag: [...difference(results.sag), ...static_, ['noise', seat?.beforeUncertainty_Pa ?? 0]],
    seatingStep:
      front === null
        ? []
        : [
            ...difference(results.seatingStep),
            ['noise', Math.sqrt(Math.max(0, front.stepUncertainty_Pa ** 2 - front.stepByLag_Pa ** 2))],
            ['sensor-lag', front.stepByLag_Pa],
          ],
  };
}

function approachEffects(facts: Facts, results: LegResults): Effect[] {
  const { approach_mps, frame, meter, trip } = facts;
  if (approach_mps === null || meter === null || trip === null || frame.meter === null) {
    return facts.motion === null ? [] : [['column-motion', facts.motion.approach_mps.uncertainty]];
  }
  const { channel } = frame.meter.series;
  const line = steadyLine(frame.meter.samples, trip.at_s);
  if (line === null) return [];
  const lag_s = together(meter.lag_s.uncertainty, ofInterval((channel.delay_s[1] - channel.delay_s[0]) / 2));
  return [
    ['meter-noise', lineUncertainty(line, trip.at_s)],
    ['meter-lag', lag_s * line.slope],
    ['meter-zero', -meter.zero_mps.uncertainty],
    ['meter-slope', channel.uncertainty.relative * (results.approachVelocity.value ?? 0)],
  ];
}

/** The impulse velocity at an instant, from meter, length, back pressure and the rest after seating together. */
function motionEffects({ motion }: Facts, at_s: number): Effect[] {
  return motion === null ? [] : [['column-motion', motion.uncertaintyAt(at_s)]];
}

/** Relative effects on the inverse of density * length of the column. */
function lengthEffects({ frame, motion }: Facts): Effect[] {
  if (motion === null) return [];
  const { leg, constants } = frame;
  const byLength = (ofInterval(leg.lengthHalfWidth_m) * leg.inertiaRatio) / constants.inertiaLength_m;
  const byInertia = (ofInterval(leg.inertiaRatioHalfWidth) * leg.length_m) / constants.inertiaLength_m;
  // The motion narrows both down together, where it could.
  const narrowed =
    motion.length_m.uncertainty / motion.length_m.value / Math.max(1e-12, together(byLength, byInertia));
  const share = Math.min(1, narrowed);
  return [
    ['length', -share * byLength],
    ['inertia', -share * byInertia],
  ];
}

/** Of the way that counts; the ring-down as `ringWaveSpeed` of wave.ts puts it together. */
function waveSpeedEffects({ frame, settled, tapSpeed }: Facts, result: Result): Effect[] {
  if (result.value === null) return [];
  if (tapSpeed !== null && 'speed' in tapSpeed && tapSpeed.speed.value === result.value) {
    const { byTiming_mps, byLags_mps, byDistance_mps } = tapSpeed.speed;
    return [
      ['sampling', byTiming_mps],
      ['sensor-lag', byLags_mps],
      ['tap-distance', byDistance_mps],
    ];
  }
  const ring = settled?.ring ?? null;
  if (ring === null) return [];
  const { leg } = frame;
  return [
    ['length', (result.value * ofInterval(leg.lengthHalfWidth_m)) / leg.length_m],
    ['inertia', (result.value * 0.42 * Math.max(0, leg.inertiaRatio - 1)) / Math.sqrt(3)],
    ['noise', (result.value * ring.frequencyUncertainty_Hz) / ring.frequency_Hz],
  ];
}
