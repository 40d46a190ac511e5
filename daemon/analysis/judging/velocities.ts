/** Results that are velocities and decelerations. m/s positive from pump to tank; reverse velocities are magnitudes. */

import { differenceUncertainty } from '../../instruments/reading-doubt.ts';
import { fitLine } from '../../statistics/fit.ts';
import { meanOver, range, type Samples, type Span } from '../../statistics/samples.ts';
import { coverage, type Estimate, ofInterval, together } from '../../statistics/uncertainty.ts';
import type { Facts } from '../finding/facts.ts';
import { configuredMeter } from '../finding/levels.ts';
import { throttledVelocity } from '../finding/motion.ts';
import { afterTrip } from '../finding/trip.ts';
import { bounded, measured, withheld } from '../result.ts';
import type { LegResults, Result } from '../verdict.ts';
import type { Capture } from './corrected-peak.ts';
import { inletVelocity } from './inlet.ts';
import { noSeating, tripUncertainty_s } from './instants.ts';
import { peakWithheld } from './pressures.ts';

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

const noMotion = withheld('the flow cannot be followed: the trip or the settled level is missing');

/**
 * Velocities (m/s; reverse ones as magnitudes) and decelerations (m/s2, positive while the flow falls), windows in s after
 * the trip. Withheld with the reason where trip, seating or motion is missing; never throws.
 */
export function velocityResults(facts: Facts, capture: Capture | null): VelocityResults {
  const { trip, motion, seat } = facts;
  return {
    approachVelocity: approachResult(facts),
    largestReverseVelocity:
      seat === null ? noSeating : motion === null || trip === null ? noMotion : largest(facts),
    velocityAtSeating: atSeating(facts),
    equivalentReverseVelocity: equivalent(facts, capture),
    inletReverseVelocity: inletVelocity(facts),
    decelerationAtReversal: seat === null ? noSeating : slowing(facts),
    decelerationMean: meanSlowing(facts),
    decelerationMeter: meterSlowing(facts),
  };
}

/** Relative standard uncertainty of density times wave speed (no unit), the two taken as independent (JCGM 100:2008, 5.1.6). */
export function impedanceDoubt(facts: Facts): number {
  const { leg, liquid } = facts.frame;
  return together(
    ofInterval(leg.waveSpeedHalfWidth_mps) / leg.waveSpeed_mps,
    ofInterval(liquid.densityHalfWidth_kgpm3) / liquid.density_kgpm3,
  );
}

function approachResult(facts: Facts): Result {
  const { approach_mps, motion, trip } = facts;
  if (trip === null) return withheld('the instant of the trip is not known');
  if (approach_mps !== null) {
    return measured(
      approach_mps.value,
      'm/s',
      approach_mps.uncertainty,
      facts.tail === null
        ? 'line through the meter, lag-corrected, at the trip'
        : 'line through the meter at the trip, corrected for the lag and the zero that it shows after seating',
      {
        from_s: -0.8,
        to_s: -0.06,
      },
    );
  }
  if (motion === null) return withheld('no meter, and no closing to integrate the pressure to');
  return measured(
    motion.approach_mps.value,
    'm/s',
    motion.approach_mps.uncertainty,
    'impulse of the pressure from trip to rest',
  );
}

/** Fastest reverse flow before the seat: impulse, carried on to the seat; characteristics where the valve throttles. */
function largest(facts: Facts): Result {
  const { motion, seat, trip, back, frame } = facts;
  if (motion === null || seat === null || trip === null || back === null) return noMotion;
  const { lag_s, tap_m, waveSpeed_mps } = frame.constants;
  const front_s = seat.front?.at_s ?? seat.at_s + tap_m / waveSpeed_mps;
  const throttled = throttledVelocity(frame, seat, back, motion);
  const before_s = throttled.time_s[0] ?? front_s - 1e-6;
  let fastest = 0;
  let at_s = front_s;
  const { time_s, value } = motion.velocity;
  for (let k = 0; k < time_s.length && time_s[k] < before_s; k++) {
    if (-value[k] > fastest) {
      fastest = -value[k];
      at_s = time_s[k];
    }
  }
  if (throttled.time_s.length > 0) {
    throttled.value.forEach((velocity, k) => {
      if (-velocity > fastest) {
        fastest = -velocity;
        at_s = throttled.time_s[k];
      }
    });
  } else {
    const end = carriedOn(motion.velocity, front_s, lag_s);
    if (end !== null && -end > fastest) {
      fastest = -end;
      at_s = front_s;
    }
  }
  const doubt = together(
    motion.uncertaintyAt(Math.min(at_s, before_s)),
    // A disc that throttles a little before it touches adds to the step that the motion is tied to.
    seat.isSoftened === true ? 0.03 + 0.05 * fastest : 0.003 + 0.045 * fastest,
    seat.front === null ? 10 * seat.uncertainty_s : 0,
  );
  const high = fastest + coverage * doubt;
  const low = Math.max(0, fastest - coverage * doubt);
  return bounded(
    fastest,
    'm/s',
    low,
    high,
    throttled.time_s.length > 0
      ? 'impulse and characteristics of the throttled column'
      : 'impulse of the pressure',
    { from_s: 0, to_s: at_s - trip.at_s },
  );
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
  const { seat, trip, frame } = facts;
  if (seat === null) return noSeating;
  const front = seat.front;
  if (front === null) {
    return withheld(
      `${frame.constants.perPlateau.toFixed(1)} samples on the plateau of 2L/a do not show the step: 8 are needed`,
    );
  }
  const impedance = frame.constants.density_kgpm3 * frame.constants.waveSpeed_mps;
  const value = Math.max(0, front.step_Pa / impedance);
  const doubt = together(
    front.stepUncertainty_Pa / impedance,
    value * impedanceDoubt(facts),
    differenceUncertainty(frame.outlet.series.channel, front.step_Pa) / impedance,
    // A disc throttles a little before it touches, and gives way a little after: up to 15 % on simulated valves.
    seat.isSoftened === true ? 0.4 * value + 0.035 : 0.075 * value + 0.002,
    // A dozen samples leave the shape of the front open.
    frame.constants.perPlateau < 20 ? 0.05 * value + 0.006 : 0,
  );
  return bounded(
    value,
    'm/s',
    Math.max(0, value - coverage * doubt),
    value + coverage * doubt,
    'seating step over density x wave speed',
    afterTrip(trip, front),
  );
}

/**
 * Joukowsky equivalent: (corrected surge - density * L_eff * deceleration over the last 10 ms before seating, not below
 * zero) / (density * wave speed). The subtracted pressure is what a perfect valve would show as well.
 */
function equivalent(facts: Facts, capture: Capture | null): Result {
  const { seat, static_Pa, frame, settled } = facts;
  if (seat === null) return noSeating;
  const reason = peakWithheld(facts);
  if (reason !== null) return withheld(reason);
  if (capture === null || static_Pa === null || settled === null) {
    return withheld('the record ends before the outlet settles');
  }
  const { density_kgpm3, waveSpeed_mps, tap_m, inertiaLength_m } = frame.constants;
  const impedance = density_kgpm3 * waveSpeed_mps;
  const span = lastBefore(facts);
  const level = meanOver(frame.outlet.samples, span) ?? seat.before_Pa;
  const pushed_Pa = Math.max(0, settled.level_Pa(seat.at_s) - level) * (1 + tap_m / inertiaLength_m);
  const value = Math.max(0, (capture.corrected_Pa - static_Pa - pushed_Pa) / impedance);
  const sigma_Pa = frame.outlet.sigma;
  const shared = together(
    (1.5 * settled.uncertainty_Pa) / impedance,
    value * impedanceDoubt(facts),
    (0.07 * pushed_Pa) / impedance,
    sigma_Pa / impedance / 2,
    0.002,
    seat.front === null ? seat.beforeUncertainty_Pa / impedance : 0,
  );
  const low = together((capture.corrected_Pa - capture.low_Pa) / impedance, coverage * shared);
  const peak_s = facts.peak?.at_s ?? seat.at_s;
  // Where the largest pressure is another slam than that of the seating, what slowed the column before it is not known.
  const isOther =
    seat.isSoftened !== false && (peak_s < seat.at_s - 0.005 || peak_s > seat.at_s + frame.constants.ring_s);
  const high =
    together((capture.high_Pa - capture.corrected_Pa) / impedance, coverage * shared) +
    (isOther ? pushed_Pa / impedance : 0);
  return bounded(
    value,
    'm/s',
    Math.max(0, value - low),
    value + high,
    'corrected surge less density x L_eff x deceleration before seating, over density x wave speed',
    afterTrip(facts.trip, { from_s: span.from_s, to_s: facts.peak?.at_s ?? span.to_s }),
  );
}

/** The last 10 ms before the front, or the last sample that is surely before it. */
function lastBefore(facts: Facts): Span {
  const { frame, seat } = facts;
  const step_s = frame.outlet.step_s;
  const to_s = (seat?.front?.at_s ?? (seat?.closure.half_s ?? 0) - 0.5 * step_s) - 1e-6;
  return { from_s: to_s - Math.max(0.01, 1.01 * step_s), to_s };
}

/** Mean slope of the velocity over 20 ms about the reversal, cut off at the seating. */
function slowing(facts: Facts): Result {
  const { motion, reversal, seat, trip, frame, back } = facts;
  if (motion === null || trip === null || seat === null || back === null) return noMotion;
  if (reversal === null) return withheld('no reversal of the flow is seen');
  const { density_kgpm3, lag_s, tap_m, waveSpeed_mps } = frame.constants;
  const late_s = lag_s + tap_m / waveSpeed_mps;
  const front_s = seat.front?.at_s ?? seat.closure.half_s - 0.5 * frame.outlet.step_s;
  const to_s = Math.min(reversal.value + 0.01 + late_s, front_s - 1e-6);
  const half_s = Math.max(0.01, 1.5 * frame.outlet.step_s);
  const wanted_s = Math.min(reversal.value - half_s + late_s, to_s - half_s);
  // A slow record has to look further back for three samples.
  const span = { from_s: Math.min(wanted_s, to_s - 3.01 * frame.outlet.step_s), to_s };
  const line = fitLine(motion.velocity, span);
  if (line === null) return withheld('too few samples about the reversal');
  const value = -line.slope;
  const inertia = density_kgpm3 * motion.length_m.value;
  const doubt = together(
    value * (motion.length_m.uncertainty / motion.length_m.value),
    back.uncertainty_Pa / inertia,
    frame.outlet.sigma / inertia / Math.sqrt(Math.max(1, line.n)),
    0.02 * value,
  );
  return measured(
    value,
    'm/s2',
    doubt,
    'mean over 20 ms about the reversal, from the impulse of the pressure',
    afterTrip(trip, span),
  );
}

function meanSlowing(facts: Facts): Result {
  const { trip, reversal, motion, approach_mps, seat } = facts;
  if (seat === null) return noSeating;
  if (trip === null || motion === null) return noMotion;
  if (reversal === null) return withheld('no reversal of the flow is seen');
  const v0: Estimate = approach_mps ?? motion.approach_mps;
  const time_s = reversal.value - trip.at_s;
  const value = v0.value / time_s;
  const doubt =
    value *
    together(v0.uncertainty / v0.value, together(reversal.uncertainty, tripUncertainty_s(trip)) / time_s);
  return measured(value, 'm/s2', doubt, 'approach velocity over the time to reversal', {
    from_s: 0,
    to_s: time_s,
  });
}

/** Mean deceleration from the meter alone: V = Vm + lag dVm/dt, a line through |V| < 0.3 V0 produced to zero. */
function meterSlowing(facts: Facts): Result {
  const { trip, approach_mps, frame, seat } = facts;
  const meter = frame.meter;
  if (meter === null) return withheld('there is no meter in this leg');
  if (trip === null || approach_mps === null) return withheld('the instant of the trip is not known');
  if (seat === null) return noSeating;
  const { lag_s: lag, zero_mps } = facts.meter ?? configuredMeter(meter);
  const lag_s = lag.value;
  const half_s = Math.max(0.03, 3 * meter.step_s);
  const time_s: number[] = [];
  const value: number[] = [];
  const stride_s = Math.max(meter.step_s, 0.004);
  for (let t = trip.at_s + half_s; t < seat.at_s - 0.03; t += stride_s) {
    const line = fitLine(meter.samples, { from_s: t - half_s, to_s: t + half_s });
    if (line === null || line.n < 4) continue;
    const corrected = line.level + line.slope * (t - line.middle_s) + lag_s * line.slope - zero_mps.value;
    if (Math.abs(corrected) > 0.3 * approach_mps.value) continue;
    time_s.push(t);
    value.push(corrected);
  }
  const samples: Samples = { time_s: Float64Array.from(time_s), value: Float64Array.from(value) };
  const line = fitLine(samples, { from_s: 0, to_s: Number.POSITIVE_INFINITY });
  if (line === null || line.n < 4 || line.slope >= 0) {
    return withheld('the lag-corrected meter has too few readings near zero flow before the seating');
  }
  const reversal_s = line.middle_s - line.level / line.slope - trip.at_s;
  if (reversal_s < 0.02) return withheld('the lag-corrected meter does not fall to zero after the trip');
  const mean = approach_mps.value / reversal_s;
  const doubt =
    mean *
    together(
      approach_mps.uncertainty / approach_mps.value,
      together(
        tripUncertainty_s(trip),
        0.012,
        (line.sigma * Math.sqrt(1 / line.n + (line.level / line.slope) ** 2 / line.spread_s2)) / -line.slope,
        lag.uncertainty * 0.4,
      ) / reversal_s,
    );
  return measured(mean, 'm/s2', doubt, 'mean, from the lag-corrected meter', { from_s: 0, to_s: reversal_s });
}
