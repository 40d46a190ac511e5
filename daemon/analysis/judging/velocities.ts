/** Results that are velocities and decelerations. m/s positive from pump to tank; reverse velocities are magnitudes. */
import { velocityOfStep_mps } from '../../hydraulics/joukowsky.ts';
import { fitLine } from '../../statistics/fit.ts';
import { meanOver, range, type Samples, type Span } from '../../statistics/samples.ts';
import { coverage, type Estimate, together } from '../../statistics/uncertainty.ts';
import type { Facts } from '../finding/facts.ts';
import { configuredMeter } from '../finding/levels.ts';
import { throttledVelocity } from '../finding/motion.ts';
import { afterTrip, tripBesides, tripUncertainty_s } from '../finding/trip.ts';
import { blind, lost_s, within } from '../reading/missing.ts';
import { withheld } from '../result.ts';
import type { LegResults, Result } from '../verdict.ts';
import { scaled } from './budget.ts';
import { inletVelocity } from './inlet.ts';
import {
  isPeakOpen,
  lackWords,
  noMeter,
  noMotion,
  noReversal,
  noSeating,
  noTrip,
  peakUnseen,
  stepUnseen,
  unsettled,
} from './reasons.ts';
import {
  approachEffects,
  contactDoubt_mps,
  type Ground,
  impedanceEffects,
  lengthEffects,
  motionEffects,
  peakEffects,
  reversedEffects,
  staticEffects,
  stepEffects,
  tripEffects,
} from './shared-effects.ts';
import { type Statement, stated } from './stated.ts';

export type VelocityResults = Pick<
  LegResults,
  | 'approachVelocity'
  | 'largestReverseVelocity'
  | 'velocityAtSeating'
  | 'equivalentReverseVelocity'
  | 'inletReverseVelocity'
  | 'decelerationAtReversal'
  | 'decelerationMean'
  | 'decelerationMeter'
>;

/**
 * Velocities (m/s; reverse ones as magnitudes) and decelerations (m/s2, positive while the flow falls), windows in s after
 * the trip. Withheld with the reason where trip, seating or motion is missing; never throws. `slowing` is the deceleration
 * at reversal.
 */
export function velocityResults(ground: Ground, slowing: Result): VelocityResults {
  const { facts } = ground;
  return {
    approachVelocity: approachResult(facts),
    largestReverseVelocity: largest(facts),
    velocityAtSeating: atSeating(facts),
    equivalentReverseVelocity: equivalent(ground),
    inletReverseVelocity: inletVelocity(facts),
    decelerationAtReversal: slowing,
    decelerationMean: meanSlowing(ground, slowing),
    decelerationMeter: meterSlowing(ground),
  };
}

function approachResult(facts: Facts): Result {
  const { approach_mps, motion, trip, tail } = facts;
  if (trip === null) return noTrip;
  const effects = approachEffects(facts);
  if (approach_mps !== null) {
    return stated('approachVelocity', {
      value: approach_mps.value,
      doubt: approach_mps.uncertainty,
      method:
        tail === null
          ? 'line through the meter, lag-corrected, at the trip'
          : 'line through the meter at the trip, corrected for the lag and the zero that it shows after seating',
      span: { from_s: -0.8, to_s: -0.06 },
      effects,
    });
  }
  if (motion === null) return withheld('no meter, and no closing to integrate the pressure to');
  return stated('approachVelocity', {
    value: motion.approach_mps.value,
    doubt: motion.approach_mps.uncertainty,
    method: 'impulse of the pressure from trip to rest',
    effects,
  });
}

/** Fastest reverse flow before the seat: impulse, carried on to the seat; characteristics where the valve throttles. */
function largest(facts: Facts): Result {
  const { motion, seat, trip, back, signals } = facts;
  if (seat === null) return noSeating;
  if (motion === null || trip === null || back === null) return noMotion;
  if (seat.hidden !== null) return largestHidden(facts);
  const { lag_s, tap_m, waveSpeed_mps } = signals.constants;
  const front_s = seat.front?.at_s ?? seat.at_s + tap_m / waveSpeed_mps;
  const throttled = throttledVelocity(signals, seat, back, motion);
  const isThrottled = throttled.time_s.length > 0;
  const before_s = throttled.time_s[0] ?? front_s - 1e-6;
  let fastest = 0;
  let at_s = front_s;
  const consider = (velocity_mps: number, when_s: number) => {
    if (-velocity_mps <= fastest) return;
    fastest = -velocity_mps;
    at_s = when_s;
  };
  const { time_s, value } = motion.velocity;
  for (let k = 0; k < time_s.length && time_s[k] < before_s; k++) consider(value[k], time_s[k]);
  throttled.value.forEach((velocity, k) => {
    consider(velocity, throttled.time_s[k]);
  });
  const end = isThrottled ? null : carriedOn(motion.velocity, front_s, lag_s);
  if (end !== null) consider(end, front_s);
  return stated('largestReverseVelocity', {
    value: fastest,
    doubt: together(
      motion.uncertaintyAt(Math.min(at_s, before_s)),
      // A disc that throttles a little before it touches adds to the step that the motion is tied to.
      seat.isSoftened === true ? 0.03 + 0.05 * fastest : contactDoubt_mps(facts, 0.5 * fastest),
      seat.front === null ? 10 * seat.uncertainty_s : 0,
    ),
    least: 0,
    method: isThrottled ? 'impulse and characteristics of the throttled column' : 'impulse of the pressure',
    span: { from_s: 0, to_s: at_s - trip.at_s },
    effects: motionEffects(facts, seat.at_s),
  });
}

/** The fastest that was seen before the hole which may hold the seating, and at most what the column can have reached in it. */
function largestHidden(facts: Facts): Result {
  const { motion, seat, trip, reach } = facts;
  if (motion === null || trip === null || seat === null || seat.hidden === null || reach === null)
    return noMotion;
  const [first, end] = range(motion.velocity.time_s, { from_s: trip.at_s, to_s: seat.hidden.from_s });
  let seen = 0;
  for (let k = first; k < end; k++) seen = Math.max(seen, -motion.velocity.value[k]);
  const doubt = coverage * together(reach.beforeUncertainty_mps, 0.003 + 0.045 * seen);
  return stated('largestReverseVelocity', {
    value: Math.max(seen, reach.likely_mps),
    low: seen - doubt,
    high: reach.fastest_mps + doubt,
    least: 0,
    method: `impulse of the pressure, carried over a gap: ${lackWords(facts)} at the seating`,
    span: { from_s: 0, to_s: seat.hidden.from_s - trip.at_s },
    effects: motionEffects(facts, seat.hidden.from_s),
  });
}

/** The impulse velocity produced from its last 10 ms to the front and over the sensor's lag; null with too few samples. */
function carriedOn(velocity: Samples, front_s: number, lag_s: number): number | null {
  const [first, end] = range(velocity.time_s, { from_s: front_s - 0.01, to_s: front_s - 1e-6 });
  const from = Math.max(0, Math.min(first, end - 2));
  if (end - from < 2) return null;
  const line = fitLine(velocity, { from_s: velocity.time_s[from], to_s: velocity.time_s[end - 1] });
  return line === null ? null : line.level + line.slope * (front_s + lag_s - line.middle_s);
}

/** Velocity of the last water that the seat stopped at once: step over density times wave speed. */
function atSeating(facts: Facts): Result {
  const { seat, trip, signals } = facts;
  if (seat === null) return noSeating;
  const { front } = seat;
  if (seat.hidden !== null) return atHiddenSeating(facts);
  if (front === null) return stepUnseen(facts);
  const { density_kgpm3, waveSpeed_mps } = signals.constants;
  const value = Math.max(0, velocityOfStep_mps(density_kgpm3, waveSpeed_mps, front.step_Pa));
  return stated('velocityAtSeating', {
    value,
    least: 0,
    method: 'seating step over density x wave speed',
    span: afterTrip(trip, front),
    effects: [
      ...impedanceEffects(facts, value, stepEffects(facts)),
      ['method', seat.isSoftened === true ? 0.4 * value + 0.035 : contactDoubt_mps(facts, value)],
    ],
  });
}

/** At most what the column can have reached; the disc may have throttled any part of it before it touched. */
function atHiddenSeating(facts: Facts): Result {
  const { reach } = facts;
  if (reach === null) return noMotion;
  return stated('velocityAtSeating', {
    value: Math.min(reach.likely_mps, reach.fastestAtSeat_mps),
    low: 0,
    high: reach.fastestAtSeat_mps,
    bound: 'upper',
    method: `at most what the column can have reached: ${lackWords(facts)} at the seating`,
    effects: [],
  });
}

/**
 * Joukowsky equivalent: (corrected surge - density * L_eff * deceleration over the last 10 ms before seating, not below
 * zero) / (density * wave speed). The subtracted pressure is what a perfect valve would show as well.
 */
function equivalent(ground: Ground): Result {
  const { facts, corrected } = ground;
  const { seat, static_Pa, signals, settled, peak } = facts;
  if (seat === null) return noSeating;
  const unseen = peakUnseen(facts);
  if (unseen !== null) return unseen;
  if (corrected === null || static_Pa === null || settled === null) return unsettled;
  const { density_kgpm3, waveSpeed_mps, tap_m, inertiaLength_m, ring_s } = signals.constants;
  const { corrected_Pa, low_Pa, high_Pa } = corrected;
  const velocityOf = (step_Pa: number) => velocityOfStep_mps(density_kgpm3, waveSpeed_mps, step_Pa);
  const span = lastBefore(facts);
  const level = meanOver(signals.outlet.samples, span) ?? seat.before_Pa;
  const pushed_Pa = Math.max(0, settled.level_Pa(seat.at_s) - level) * (1 + tap_m / inertiaLength_m);
  const value = Math.max(0, velocityOf(corrected_Pa - static_Pa - pushed_Pa));
  const doubt = together(
    velocityOf(1.5 * settled.uncertainty_Pa),
    ...impedanceEffects(facts, value, []).map(([, effect]) => effect),
    // The column slows by a fiftieth more or less within the 10 ms: 1.3 to 1.5 times the mean at the reversal, over some 0.25 s.
    velocityOf(0.02 * pushed_Pa),
    velocityOf(signals.outlet.sigma) / 2,
    0.002,
    seat.front === null ? velocityOf(seat.beforeUncertainty_Pa) : 0,
  );
  if (isPeakOpen(facts)) return equivalentAtLeast(facts, pushed_Pa, coverage * doubt);
  const peak_s = peak?.at_s ?? seat.at_s;
  // Where the largest pressure is another slam than that of the seating, what slowed the column before it is not known.
  const isOther = seat.isSoftened !== false && (peak_s < seat.at_s - 0.005 || peak_s > seat.at_s + ring_s);
  return stated('equivalentReverseVelocity', {
    value,
    low: value - together(velocityOf(corrected_Pa - low_Pa), coverage * doubt),
    high:
      value +
      together(velocityOf(high_Pa - corrected_Pa), coverage * doubt) +
      (isOther ? velocityOf(pushed_Pa) : 0),
    least: 0,
    method: 'corrected surge less density x L_eff x deceleration before seating, over density x wave speed',
    span: afterTrip(facts.trip, { from_s: span.from_s, to_s: peak?.at_s ?? span.to_s }),
    effects: impedanceEffects(facts, value, [...peakEffects(ground), ...scaled(staticEffects(facts), -1.5)]),
  });
}

/**
 * The equivalent velocity where missing samples may hide the peak: at least that of the largest sample, over the most that
 * may have pushed before it; at most that of the highest pressure that the column can have made.
 */
function equivalentAtLeast(facts: Facts, pushed_Pa: number, doubt_mps: number): Result {
  const { reach, peak, static_Pa, signals, seat } = facts;
  if (reach === null || peak === null || static_Pa === null) return unsettled;
  const { density_kgpm3, waveSpeed_mps, inertiaLength_m } = signals.constants;
  const velocityOf = (step_Pa: number) => velocityOfStep_mps(density_kgpm3, waveSpeed_mps, step_Pa);
  const isBeforeSeen = seat?.hidden === null;
  const sag_Pa = density_kgpm3 * inertiaLength_m * reach.slowing_mps2;
  const most_Pa = isBeforeSeen ? pushed_Pa : Math.max(sag_Pa, swingUnder_Pa(facts));
  const seen_Pa = peak.raw_Pa - static_Pa;
  const low = Math.max(0, velocityOf(seen_Pa - most_Pa) - doubt_mps);
  const least_Pa = isBeforeSeen ? pushed_Pa : 0;
  const high = Math.max(low, velocityOf(reach.top_Pa - static_Pa - least_Pa) + doubt_mps);
  return stated('equivalentReverseVelocity', {
    value: Math.min(
      high,
      Math.max(low, velocityOf(seen_Pa - pushed_Pa), isBeforeSeen ? 0 : reach.likely_mps),
    ),
    low,
    high,
    bound: 'lower',
    method: `largest sample less what pushed before it, up to what the column can have made: ${lackWords(facts)} at the seating`,
    span: afterTrip(facts.trip, { from_s: reach.hole.from_s, to_s: reach.hole.to_s }),
    effects: staticEffects(facts).map(([source, effect]) => [source, velocityOf(effect)]),
  });
}

/** How far the outlet swings under its level where a seat that is touched after the peak may meet it, in Pa. */
function swingUnder_Pa({ seat, peak, settled, signals }: Facts): number {
  if (seat === null || peak === null || settled === null) return 0;
  const latest_s = seat.at_s + seat.late_s;
  if (peak.at_s >= latest_s) return 0;
  const { time_s, value } = signals.outlet.samples;
  const [first, end] = range(time_s, { from_s: peak.at_s, to_s: latest_s + signals.constants.ring_s / 2 });
  let under_Pa = 0;
  for (let k = first; k < end; k++) under_Pa = Math.max(under_Pa, settled.level_Pa(time_s[k]) - value[k]);
  return under_Pa;
}

/** The last 10 ms before the front, or the last sample that is surely before it. */
function lastBefore(facts: Facts): Span {
  const { signals, seat } = facts;
  const step_s = signals.outlet.step_s;
  const to_s = (seat?.front?.at_s ?? (seat?.closure.half_s ?? 0) - 0.5 * step_s) - 1e-6;
  return { from_s: to_s - Math.max(0.01, 1.01 * step_s), to_s };
}

/** Mean slope of the velocity over 20 ms about the reversal, cut off at the seating. */
export function slowingAtReversal({ facts }: Ground): Result {
  const { motion, reversal, seat, trip, signals, back } = facts;
  if (seat === null) return noSeating;
  if (motion === null || trip === null || back === null) return noMotion;
  if (reversal === null) return noReversal;
  const { density_kgpm3, lag_s, tap_m, waveSpeed_mps } = signals.constants;
  const { step_s, sigma } = signals.outlet;
  const late_s = lag_s + tap_m / waveSpeed_mps;
  const front_s = seat.front?.at_s ?? seat.closure.half_s - 0.5 * step_s;
  const to_s = Math.min(reversal.value + 0.01 + late_s, front_s - 1e-6);
  const half_s = Math.max(0.01, 1.5 * step_s);
  const wanted_s = Math.min(reversal.value - half_s + late_s, to_s - half_s);
  // A slow record has to look further back for three samples.
  const span = { from_s: Math.min(wanted_s, to_s - 3.01 * step_s), to_s };
  if (reversal.early_s + reversal.late_s > 0 || isHoled(facts, span)) return slowingByHole(facts, span);
  const line = fitLine(motion.velocity, span);
  if (line === null) return withheld('too few samples about the reversal');
  const value = -line.slope;
  const inertia = density_kgpm3 * motion.length_m.value;
  // The window sits where the reversal is thought to be. The deceleration grows from the trip on, about evenly from twice its
  // mean less the end to the end, so that a window off by dt is off by this share.
  const stop_s = Math.max(0.02, reversal.value - trip.at_s);
  const mean_mps2 = motion.approach_mps.value / stop_s;
  const offCentre = (2 * Math.abs(1 - mean_mps2 / value) * reversal.uncertainty) / stop_s;
  return stated('decelerationAtReversal', {
    value,
    doubt: together(
      value * (motion.length_m.uncertainty / motion.length_m.value),
      back.uncertainty_Pa / inertia,
      sigma / inertia / Math.sqrt(Math.max(1, line.n)),
      value * offCentre,
      // Friction of a flow that turns round is not that of a steady one: records of an independent model lie up to 1.5 % off.
      0.007 * value,
    ),
    method: 'mean over 20 ms about the reversal, from the impulse of the pressure',
    span: afterTrip(trip, span),
    effects: [
      ...scaled(lengthEffects(facts), value),
      ['static-level', -back.uncertainty_Pa / inertia],
      ['noise', sigma / inertia / Math.sqrt(Math.max(1, 0.02 / step_s))],
    ],
  });
}

function isHoled({ signals }: Facts, span: Span): boolean {
  return lost_s(blind(signals.outlet.missing), span) > 0.1 * (span.to_s - span.from_s);
}

/** The deceleration where samples are missing about the reversal: that of the 30 ms before, which a hole may double or halve. */
function slowingByHole(facts: Facts, span: Span): Result {
  const { motion, signals, trip } = facts;
  if (motion === null || trip === null) return noMotion;
  const { reversal, approach_mps } = facts;
  const wide = {
    from_s: span.from_s - (reversal?.early_s ?? 0),
    to_s: span.to_s + (reversal?.late_s ?? 0),
  };
  const holes = within(blind(signals.outlet.missing), wide);
  const from_s = holes[0]?.from_s ?? span.from_s;
  const before = { from_s: Math.max(trip.at_s, from_s - 0.03), to_s: from_s };
  const line = fitLine(motion.velocity, before);
  const after = fitLine(motion.velocity, { from_s: holes.at(-1)?.to_s ?? span.to_s, to_s: span.to_s });
  if (line === null || line.n < 3 || line.slope >= 0)
    return withheld(`too few samples about the reversal: ${lackWords(facts)}`);
  // The mean up to the reversal is 1.3 to 1.5 times less than the slowing at it.
  const mean_mps2 =
    (approach_mps ?? motion.approach_mps).value / Math.max(0.02, (reversal?.value ?? from_s) - trip.at_s);
  const slopes = [
    -line.slope,
    1.4 * mean_mps2,
    ...(after !== null && after.n >= 3 && after.slope < 0 ? [-after.slope] : []),
  ];
  const value = slopes.reduce((sum, slope) => sum + slope, 0) / slopes.length;
  const grown = 1.15 + Math.min(1, lost_s(blind(signals.outlet.missing), wide) / 0.1);
  return stated('decelerationAtReversal', {
    value,
    low: Math.min(...slopes) / grown,
    high: Math.max(...slopes) * grown,
    method: `impulse of the pressure beside the reversal: ${lackWords(facts)} there`,
    span: afterTrip(trip, before),
    effects: scaled(lengthEffects(facts), value),
  });
}

function meanSlowing(ground: Ground, slowing: Result): Result {
  const { facts } = ground;
  const { trip, reversal, motion, approach_mps, seat } = facts;
  if (seat === null) return noSeating;
  if (trip === null || motion === null) return noMotion;
  if (reversal === null) return noReversal;
  const v0: Estimate = approach_mps ?? motion.approach_mps;
  const time_s = reversal.value - trip.at_s;
  const value = v0.value / time_s;
  const byTime = [...reversedEffects(facts, slowing), ...scaled(tripEffects(ground), -1)];
  return stated('decelerationMean', {
    value,
    ...meanBounds(facts, value, time_s),
    doubt:
      value *
      together(v0.uncertainty / v0.value, together(reversal.uncertainty, tripUncertainty_s(trip)) / time_s),
    method: 'approach velocity over the time to reversal',
    span: { from_s: 0, to_s: time_s },
    effects: [...scaled(approachEffects(facts), value / v0.value), ...scaled(byTime, -value / time_s)],
  });
}

/** Ends of the mean deceleration where a hole leaves the instants wide: a quotient bends then. */
function meanBounds(facts: Facts, value: number, time_s: number): Pick<Statement, 'low' | 'high'> {
  const { trip, reversal, motion, approach_mps } = facts;
  if (trip === null || reversal === null || motion === null) return {};
  const wide_s = tripUncertainty_s(trip);
  const besides = tripBesides(trip);
  const early_s = reversal.early_s + besides.late_s;
  const late_s = reversal.late_s + besides.early_s;
  if (early_s + late_s === 0 && wide_s < 0.02) return {};
  const v0 = approach_mps ?? motion.approach_mps;
  const relative = (coverage * v0.uncertainty) / v0.value;
  const doubt_s = coverage * together(reversal.uncertainty, wide_s);
  return {
    low: (value * (1 - relative) * time_s) / (time_s + late_s + doubt_s),
    high: (value * (1 + relative) * time_s) / Math.max(0.2 * time_s, time_s - early_s - doubt_s),
  };
}

/** The meter where it reads near zero: V = Vm + lag dVm/dt, all |V| < 0.3 V0 between trip and seating. */
function nearZero(facts: Facts, from_s: number, to_s: number): Samples {
  const { meter } = facts.signals;
  const time_s: number[] = [];
  const value: number[] = [];
  if (meter !== null && facts.approach_mps !== null) {
    const { lag_s, zero_mps } = facts.meter ?? configuredMeter(meter);
    const half_s = Math.max(0.03, 3 * meter.step_s);
    const stride_s = Math.max(meter.step_s, 0.004);
    for (let t = from_s + half_s; t < to_s - 0.03; t += stride_s) {
      const line = fitLine(meter.samples, { from_s: t - half_s, to_s: t + half_s });
      if (line === null || line.n < 4) continue;
      const shown = line.level + line.slope * (t - line.middle_s);
      const corrected = shown + lag_s.value * line.slope - zero_mps.value;
      if (Math.abs(corrected) > 0.3 * facts.approach_mps.value) continue;
      time_s.push(t);
      value.push(corrected);
    }
  }
  return { time_s: Float64Array.from(time_s), value: Float64Array.from(value) };
}

/** Mean deceleration from the meter alone: a line through its readings near zero produced to zero. */
function meterSlowing(ground: Ground): Result {
  const { facts } = ground;
  const { trip, approach_mps, signals, seat } = facts;
  if (signals.meter === null) return noMeter;
  if (trip === null || approach_mps === null) return noTrip;
  if (seat === null) return noSeating;
  const lag_s = (facts.meter ?? configuredMeter(signals.meter)).lag_s;
  const line = fitLine(
    nearZero(facts, trip.at_s, seat.hidden === null ? seat.at_s : seat.at_s - seat.early_s),
    {
      from_s: 0,
      to_s: Number.POSITIVE_INFINITY,
    },
  );
  if (line === null || line.n < 4 || line.slope >= 0) {
    return withheld('too few meter readings near zero flow');
  }
  const reversal_s = line.middle_s - line.level / line.slope - trip.at_s;
  if (reversal_s < 0.02) return withheld('the lag-corrected meter does not fall to zero after the trip');
  const mean = approach_mps.value / reversal_s;
  const crossing =
    (line.sigma * Math.sqrt(1 / line.n + (line.level / line.slope) ** 2 / line.spread_s2)) / -line.slope;
  const gone_s = lost_s(blind(signals.meter.missing), { from_s: trip.at_s, to_s: seat.at_s });
  // With the readings near zero missing the line is produced over what is left, and the lag counts in full.
  const torn = gone_s > 0 || seat.hidden !== null ? 0.4 * lag_s.value + gone_s / 2 : 0;
  const atReversal_s = together(tripUncertainty_s(trip), 0.012, crossing, lag_s.uncertainty * 0.4, torn / 2);
  return stated('decelerationMeter', {
    value: mean,
    doubt: mean * together(approach_mps.uncertainty / approach_mps.value, atReversal_s / reversal_s),
    method: 'mean, from the lag-corrected meter',
    span: { from_s: 0, to_s: reversal_s },
    effects: [
      ...scaled(approachEffects(facts), mean / approach_mps.value),
      ...scaled(tripEffects(ground), mean ** 2 / approach_mps.value),
      ['meter-lag', (lag_s.uncertainty * 0.4 * mean ** 2) / approach_mps.value],
    ],
  });
}
