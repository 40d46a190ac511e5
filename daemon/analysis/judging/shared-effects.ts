/** Effects that several results of a leg share: the same source with the same sign in each. Facts in, effects out. */
import type { ChannelConfig } from '../../../config/rig.ts';
import { differenceUncertainty, readingDoubt } from '../../instruments/reading-doubt.ts';
import { lineUncertainty } from '../../statistics/fit.ts';
import { ofInterval, ofRectangle, together } from '../../statistics/uncertainty.ts';
import type { Facts } from '../finding/facts.ts';
import { steadyLine } from '../finding/levels.ts';
import { tripUncertainty_s } from '../finding/trip.ts';
import { delayDoubt_s } from '../reading/leg-signals.ts';
import type { EventRecord } from '../record.ts';
import type { Result } from '../verdict.ts';
import { type Effect, scaled } from './budget.ts';
import type { CorrectedPeak } from './corrected-peak.ts';

/** What every result of a leg is made from. */
export interface Ground {
  readonly record: EventRecord;
  readonly facts: Facts;
  /** Null: the outlet did not settle. */
  readonly corrected: CorrectedPeak | null;
  /** Start of the record on its clock, in s: facts count from it. */
  readonly origin_s: number;
}

/** The trip itself, in s: the contact's delay, when it was sampled, and the knee that sharpens both. */
export function tripEffects({ record, facts: { trip } }: Ground): Effect[] {
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

/** Relative effect of the configured wave speed; the way of the wave to the tap costs the more the slower it is. */
export function waveSpeedDoubt({ signals: { leg } }: Facts): number {
  return ofInterval(leg.waveSpeedHalfWidth_mps) / leg.waveSpeed_mps;
}

/** The way from the seat to the tap, in s. */
function travelEffect(facts: Facts): Effect {
  const { tap_m, waveSpeed_mps } = facts.signals.constants;
  return ['wave-speed', (tap_m / waveSpeed_mps) * waveSpeedDoubt(facts)];
}

/** The outlet's dead time, in s; nothing where it is stated exactly. */
function delayEffects({ signals }: Facts): Effect[] {
  const doubt_s = delayDoubt_s(signals.outlet);
  return doubt_s > 0 ? [['sensor-delay', -doubt_s]] : [];
}

/** The seating on the record's clock, in s. */
export function seatedEffects(facts: Facts): Effect[] {
  const { seat, signals } = facts;
  const front = seat?.front ?? null;
  if (front === null) {
    const lag_s = ofInterval(signals.outlet.series.channel.responseTimeHalfWidth_s);
    return [
      ['sampling', signals.outlet.step_s / Math.sqrt(12)],
      ['sensor-lag', -0.8 * lag_s],
      ...delayEffects(facts),
      travelEffect(facts),
    ];
  }
  return [
    ['noise', Math.sqrt(Math.max(0, front.atUncertainty_s ** 2 - front.atByLag_s ** 2))],
    ['sensor-lag', -front.atByLag_s],
    ...delayEffects(facts),
    travelEffect(facts),
  ];
}

/** The reversal on the record's clock, in s; `slowing` is the deceleration at it. */
export function reversedEffects(facts: Facts, slowing: Result): Effect[] {
  const { seat, reversal, signals, motion } = facts;
  if (reversal === null || motion === null) return [];
  const lag_s = ofInterval(signals.outlet.series.channel.responseTimeHalfWidth_s);
  return [
    ...scaled(motionEffects(facts, reversal.value), -1 / (slowing.value ?? Number.POSITIVE_INFINITY)),
    ['sensor-lag', -lag_s],
    ...delayEffects(facts),
    ['sampling', (seat?.front == null ? 0.2 : 0.05) * signals.outlet.step_s],
    travelEffect(facts),
  ];
}

/** The impulse velocity at an instant, in m/s: from meter, length, back pressure and the rest after seating together. */
export function motionEffects({ motion }: Facts, at_s: number): Effect[] {
  return motion === null ? [] : [['column-motion', motion.uncertaintyAt(at_s)]];
}

/** The corrected peak without the fixed part of the calibration, in Pa: what every surge shares. */
export function peakEffects({ facts: { signals, peak }, corrected }: Ground): Effect[] {
  if (corrected === null || peak === null) return [];
  return [
    ['sampling', corrected.bySampling_Pa / Math.sqrt(3)],
    ['sensor-lag', 0.5 * corrected.byLag_Pa],
    ['noise', 0.6 * signals.outlet.sigma],
  ];
}

/** The settled level, in Pa. */
export function staticEffects({ settled }: Facts): Effect[] {
  return settled === null ? [] : [['static-level', settled.uncertainty_Pa]];
}

/** A gauge reading, in the channel's unit: the calibration counts in full. */
export function readingEffects(channel: ChannelConfig, value: number): Effect[] {
  const { offset, slope } = readingDoubt(channel, value);
  return [
    ['calibration-offset', offset],
    ['calibration-slope', slope],
  ];
}

/** The difference of two readings: the fixed part cancels. */
export function differenceEffects(channel: ChannelConfig, difference: number): Effect[] {
  return [['calibration-slope', differenceUncertainty(channel, difference)]];
}

/** The step at the seating, in Pa; none where it is not seen. */
export function stepEffects({ seat, signals }: Facts): Effect[] {
  const front = seat?.front ?? null;
  if (front === null) return [];
  return [
    ...differenceEffects(signals.outlet.series.channel, front.step_Pa),
    ['noise', Math.sqrt(Math.max(0, front.stepUncertainty_Pa ** 2 - front.stepByLag_Pa ** 2))],
    ['sensor-lag', front.stepByLag_Pa],
  ];
}

/** A velocity that is a pressure over density times wave speed: `of` are the effects on that pressure. */
export function impedanceEffects(facts: Facts, velocity_mps: number, of: readonly Effect[]): Effect[] {
  const { constants, liquid } = facts.signals;
  const density = ofInterval(liquid.densityHalfWidth_kgpm3) / liquid.density_kgpm3;
  return [
    ...scaled(of, 1 / (constants.density_kgpm3 * constants.waveSpeed_mps)),
    ['density', -velocity_mps * density],
    ['wave-speed', -velocity_mps * waveSpeedDoubt(facts)],
  ];
}

/** The velocity before the trip, in m/s. */
export function approachEffects({ approach_mps, signals, meter, motion, trip }: Facts): Effect[] {
  if (approach_mps === null || meter === null || trip === null || signals.meter === null)
    return motion === null ? [] : [['column-motion', motion.approach_mps.uncertainty]];
  const { channel } = signals.meter.series;
  const line = steadyLine(signals.meter.samples, trip.at_s);
  if (line === null) return [];
  const lag_s = together(meter.lag_s.uncertainty, delayDoubt_s(signals.meter));
  return [
    ['meter-noise', lineUncertainty(line, trip.at_s)],
    ['meter-lag', lag_s * line.slope],
    ['meter-zero', -meter.zero_mps.uncertainty],
    ['meter-slope', channel.uncertainty.relative * approach_mps.value],
  ];
}

/** Relative effects on the inverse of density times length of the column. */
export function lengthEffects({ signals, motion }: Facts): Effect[] {
  if (motion === null) return [];
  const { leg, constants } = signals;
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

/**
 * What a disc takes off the flow in its last gap before it touches all round, as a share of it. Head lost in a gap of s of the
 * area is V^2 / (2 s^2), the column stands against it with a dV: dV / V = V / (2 a s^2), 6.4 % at 0.1 m/s and a gap of 2.5 % of
 * the area, 0.6 mm of lift at DN100: play of hinge and seat (judgement, no source). A faster slam carries the disc with the water.
 */
const lastGap_ratio = 0.065;

/**
 * Standard uncertainty of the velocity at the contact of a sharp closure beyond the fit of its step, in m/s. The front tells no
 * instant inside its own blur, which is the sensor's lag and half a sampling step: meanwhile the column, which the back pressure
 * slows by d = sag / (density x length), changes by d times that, and the contact lies anywhere in it (JCGM 100:2008, 4.3.7).
 * What the last gap throttles comes on top.
 */
export function contactDoubt_mps(facts: Facts, velocity_mps: number): number {
  const { signals, sag_Pa } = facts;
  const { density_kgpm3, inertiaLength_m, lag_s } = signals.constants;
  const slowing_mps2 = Math.max(0, sag_Pa ?? 0) / (density_kgpm3 * inertiaLength_m);
  const blur_s = lag_s + signals.outlet.step_s / 2;
  return together((slowing_mps2 * blur_s) / Math.sqrt(12), lastGap_ratio * velocity_mps);
}
