/** The column's motion in one leg: which priors and which sightings the record offers to `columnMotion`. */

import { fitLine } from '../../statistics/fit.ts';
import {
  indexAt,
  indexOfSmallest,
  meanOver,
  range,
  type Samples,
  valueAt,
} from '../../statistics/samples.ts';
import { type Estimate, ofInterval, together } from '../../statistics/uncertainty.ts';
import type { LegSignals } from '../reading/leg-signals.ts';
import { blind, within } from '../reading/missing.ts';
import { columnMotion, type Hole, type Motion, type Sighting, valveVelocity_mps } from './impulse.ts';
import type { BackPressure, Settled } from './levels.ts';
import { type Seat, shutFrom_s } from './seat.ts';
import type { Trip } from './trip.ts';

/** What the motion is found from. */
export interface MotionGround {
  readonly seat: Seat;
  readonly settled: Settled;
  readonly back: BackPressure;
  readonly trip: Trip;
  readonly approach_mps: Estimate;
  readonly peak_Pa: number;
}

/** Prior and sightings of one leg, solved. */
export function findMotion(
  signals: LegSignals,
  { seat, settled, back, trip, approach_mps, peak_Pa }: MotionGround,
): Motion | null {
  const { leg, constants, outlet } = signals;
  const { density_kgpm3, inertiaLength_m, length_m, ring_s } = constants;
  const length = {
    value: inertiaLength_m,
    uncertainty: together(
      ofInterval(leg.lengthHalfWidth_m) * leg.inertiaRatio,
      ofInterval(leg.inertiaRatioHalfWidth) * length_m,
    ),
  };
  const sightings: Sighting[] = [];
  const shut_s = shutFrom_s(seat);
  const restless_mps = restlessness_mps(
    signals,
    seat,
    (peak_Pa - settled.level_Pa(seat.at_s)) / (density_kgpm3 * constants.waveSpeed_mps),
  );
  const atSeat = seatSighting(signals, seat, settled, restless_mps);
  if (atSeat !== null) sightings.push(atSeat);
  const rest_s = Math.min(8 * ring_s, 1.5);
  // A damped disc may let water through until it touches.
  const still_s = shut_s + Math.max(ring_s, seat.isSoftened === true ? seat.late_s : 0);
  const aliased_mps =
    (0.5 * Math.max(0, peak_Pa - settled.level_Pa(seat.at_s)) * outlet.step_s) /
    (density_kgpm3 * inertiaLength_m);
  sightings.push({
    span: { from_s: still_s, to_s: still_s + rest_s },
    velocity_mps: {
      value: 0,
      // Waves between samples, the next small openings of the valve, and what the end swallows.
      uncertainty: together(0.01, aliased_mps, seat.isSoftened === true ? 0.02 : 0, restless_mps),
    },
  });
  const prior = {
    trip_s: trip.at_s,
    until_s: still_s + rest_s + 0.01,
    density_kgpm3,
    approach_mps,
    length_m: length,
    backUncertainty_Pa: back.uncertainty_Pa,
    holes: holesOf(signals, seat, back, { trip_s: trip.at_s, until_s: still_s + rest_s }),
  };
  const motion = columnMotion(outlet.samples, back, prior, sightings);
  if (motion === null || atSeat !== null) return motion;
  const bySurge = surgeSighting(signals, seat, settled, peak_Pa, motion);
  return bySurge === null ? motion : columnMotion(outlet.samples, back, prior, [...sightings, bySurge]);
}

/** So many holes are unknowns of their own; the rest of them are drawn into the last. */
const mostHoles = 8;

/**
 * Holes of outlet and tank from the trip to the rest, and how far off a straight line over each may be: before the closing
 * the outlet bends but does not jump, so the change over it bounds the error; where the closing may lie in it, or after it,
 * anything up to the largest swing may have stood for as long as the hole lasts.
 */
function holesOf(
  signals: LegSignals,
  seat: Seat,
  back: BackPressure,
  { trip_s, until_s }: { readonly trip_s: number; readonly until_s: number },
): Hole[] {
  const { outlet, tank, constants } = signals;
  const inertia = constants.density_kgpm3 * constants.inertiaLength_m;
  const push = {
    time_s: outlet.samples.time_s,
    value: outlet.samples.value.map((value, k) => value - back.value[k]),
  };
  const open_s = seat.at_s - seat.early_s;
  const span = { from_s: trip_s, to_s: until_s };
  const holes = within(blind(outlet.missing), span).map(({ from_s, to_s }): Hole => {
    const long_s = to_s - from_s;
    if (to_s < open_s) {
      const bend_Pa = Math.abs((valueAt(push, to_s) ?? 0) - (valueAt(push, from_s) ?? 0));
      const slope_Pa = Math.abs(slopeBefore(push, from_s) - slopeAfter(push, to_s)) * long_s;
      return { from_s, to_s, uncertainty_mps: (long_s * (0.15 * bend_Pa + slope_Pa / 12 + 500)) / inertia };
    }
    const reach_s = 2 * constants.ring_s;
    const [first, end] = range(push.time_s, { from_s: from_s - reach_s, to_s: to_s + reach_s });
    let swing_Pa = 0;
    for (let k = first; k < end; k++) swing_Pa = Math.max(swing_Pa, Math.abs(push.value[k]));
    const waves_s = Math.min(long_s, constants.plateau_s + 0.2 * long_s);
    return { from_s, to_s, uncertainty_mps: (waves_s * swing_Pa) / inertia };
  });
  if (tank !== null) {
    for (const { from_s, to_s } of within(blind(tank.missing), span)) {
      const long_s = to_s - from_s;
      const bend_Paps = Math.abs(slopeBefore(tank.samples, from_s) - slopeAfter(tank.samples, to_s));
      holes.push({ from_s, to_s, uncertainty_mps: (long_s * long_s * bend_Paps) / 8 / inertia });
    }
  }
  if (holes.length <= mostHoles) return holes;
  holes.sort((a, b) => b.uncertainty_mps - a.uncertainty_mps);
  const rest = holes.slice(mostHoles - 1);
  return [
    ...holes.slice(0, mostHoles - 1),
    {
      from_s: Math.min(...rest.map(({ from_s }) => from_s)),
      to_s: Math.max(...rest.map(({ to_s }) => to_s)),
      uncertainty_mps: together(...rest.map(({ uncertainty_mps }) => uncertainty_mps)),
    },
  ];
}

/** Slope of the line through the 30 ms before and after an instant, per s; 0 with too few samples. */
function slopeBefore(samples: Samples, at_s: number): number {
  return fitLine(samples, { from_s: at_s - 0.03, to_s: at_s })?.slope ?? 0;
}

function slopeAfter(samples: Samples, at_s: number): number {
  return fitLine(samples, { from_s: at_s, to_s: at_s + 0.03 })?.slope ?? 0;
}

/**
 * Doubt about the rest after seating, in m/s. After a hard slam the outlet falls to vapour pressure or far below the
 * inlet: the valve opens again and lets water through, up to a good part of the velocity that was stopped.
 */
function restlessness_mps(signals: LegSignals, seat: Seat, stopped_mps: number): number {
  const { time_s, value } = signals.difference;
  const [first, end] = range(time_s, { from_s: seat.at_s, to_s: seat.at_s + 2 * signals.constants.ring_s });
  const k = indexOfSmallest(value, first, end);
  const deepest_Pa =
    k < 0 || signals.inlet === null ? 0 : Math.max(0, -value[k] - 4 * signals.differenceSigma);
  const outlet = signals.outlet.samples.value;
  const low = indexOfSmallest(outlet, first, end);
  const isParted = low >= 0 && outlet[low] < -0.9e5;
  // Impulse that ran over the top of the range is missing from the rest, too.
  const until_s = seat.at_s + signals.constants.ring_s + Math.min(8 * signals.constants.ring_s, 1.5);
  const middle_Pa = (signals.outlet.series.channel.range[0] + signals.outlet.series.channel.range[1]) / 2;
  const isOver = signals.outlet.clipped_s.some(
    (t) => t > seat.at_s && t < until_s && (valueAt(signals.outlet.samples, t) ?? 0) > middle_Pa,
  );
  if (isCut(signals, seat) || isOver) return stopped_mps;
  return (isParted ? 0.3 : Math.min(0.3, deepest_Pa / 4e5)) * Math.max(0, stopped_mps);
}

/** Whether the slam runs into the end of the measuring range: its impulse and its step are cut off then. */
function isCut(signals: LegSignals, seat: Seat): boolean {
  const until_s = seat.at_s + 1.2 * signals.constants.plateau_s;
  return signals.outlet.clipped_s.some((t) => t > seat.at_s - 0.05 && t < until_s);
}

/**
 * The velocity at seating of a sharp closure in a record too slow to show its step: (peak - static - sag) / (density *
 * wave speed), with what the sampling may have missed as doubt. It is taken only if the motion without it agrees:
 * a softened closure does not obey it.
 */
function surgeSighting(
  signals: LegSignals,
  seat: Seat,
  settled: Settled,
  peak_Pa: number,
  motion: Motion,
): Sighting | null {
  const { density_kgpm3, waveSpeed_mps, perPlateau } = signals.constants;
  if (perPlateau < 1 || seat.isSoftened === true || seat.hidden !== null) return null;
  const impedance = density_kgpm3 * waveSpeed_mps;
  const level_Pa = settled.level_Pa(seat.at_s);
  const sag_Pa = Math.max(0, level_Pa - seat.before_Pa);
  const missed_Pa = sag_Pa / perPlateau;
  const value = -(peak_Pa + missed_Pa - level_Pa - sag_Pa) / impedance;
  const uncertainty =
    together(0.7 * missed_Pa, seat.beforeUncertainty_Pa, 2 * settled.uncertainty_Pa) / impedance +
    0.02 +
    // A valve that throttled, which so slow a record does not tell, stops less than the column carried.
    0.15 * Math.abs(value);
  const at_s = signals.outlet.samples.time_s[Math.max(0, seat.closure.index - 1)];
  const seen = valueAt(motion.velocity, at_s);
  if (seen === null || Math.abs(seen - value) > 2.5 * together(uncertainty, motion.uncertaintyAt(at_s)))
    return null;
  const slowing_mps2 = sag_Pa / (density_kgpm3 * signals.constants.inertiaLength_m);
  return {
    span: { from_s: at_s, to_s: at_s },
    velocity_mps: { value: value + slowing_mps2 * Math.max(0, seat.at_s - at_s), uncertainty },
  };
}

/**
 * The velocity near seating as the front tells it. Sharp closures: the step over density * wave speed, just before the
 * front. Softened ones: the wave that left the valve 0.8 * 2L/a before seating and is back on the plateau.
 */
function seatSighting(
  signals: LegSignals,
  seat: Seat,
  settled: Settled,
  restless_mps: number,
): Sighting | null {
  const { leg, constants, outlet } = signals;
  const { density_kgpm3, waveSpeed_mps, inertiaLength_m, plateau_s, lag_s, perPlateau } = constants;
  const impedance = density_kgpm3 * waveSpeed_mps;
  const wave = ofInterval(leg.waveSpeedHalfWidth_mps) / waveSpeed_mps;
  const { front } = seat;
  if (front === null || seat.hidden !== null || isCut(signals, seat)) return null;
  if (seat.isSoftened === false) {
    // The column as a whole still carries part of what a short throttling had stopped at the valve.
    const carried_mps = (0.5 * front.throttled_Pa) / impedance;
    const velocity = -front.step_Pa / impedance - carried_mps;
    const slowing_mps2 = (settled.level_Pa(front.at_s) - front.before_Pa) / (density_kgpm3 * inertiaLength_m);
    const k = Math.max(0, indexAt(outlet.samples.time_s, front.at_s) - 1);
    const at_s = outlet.samples.time_s[k];
    // The integral of a lagging sensor is late by its lag.
    const early_s = front.at_s - at_s + lag_s;
    return {
      span: { from_s: at_s, to_s: at_s },
      velocity_mps: {
        value: velocity + slowing_mps2 * early_s,
        uncertainty: together(
          front.stepUncertainty_Pa / impedance,
          velocity * wave,
          0.6 * carried_mps,
          // What a real front differs from the model by.
          0.004 + 0.03 * Math.abs(velocity),
          0.2 * slowing_mps2 * early_s,
        ),
      },
    };
  }
  if (perPlateau < 12) return null;
  const at_s = front.at_s - 0.8 * plateau_s;
  const half_s = 0.06 * plateau_s;
  const here = meanOver(outlet.samples, { from_s: at_s - half_s, to_s: at_s + half_s });
  const there = meanOver(outlet.samples, {
    from_s: at_s + plateau_s - half_s,
    to_s: at_s + plateau_s + half_s,
  });
  if (here === null || there === null) return null;
  const value = -(here + there - 2 * settled.level_Pa(front.at_s)) / impedance;
  return {
    span: { from_s: at_s, to_s: at_s },
    // The plateau is read as that of a shut valve; one that opens again may not have been shut then.
    looseness_mps: restless_mps,
    velocity_mps: {
      value,
      // Nor need the disc be on its seat when the wave comes back: water that still passes then is missing from the sum. How
      // much is not known; a quarter of the velocity is taken.
      uncertainty: together(value * wave, 0.03, 0.25 * value, (2 * settled.uncertainty_Pa) / impedance),
    },
  };
}

/**
 * Velocity at the valve just before seating in a softened closure, where the mean of the column lags behind: from the
 * characteristics, over the last 2L/a. Samples with times as the impulse velocity has them. Empty when sharp.
 */
export function throttledVelocity(
  signals: LegSignals,
  seat: Seat,
  back: BackPressure,
  motion: Motion,
): {
  readonly time_s: number[];
  readonly value: number[];
} {
  const { constants, outlet } = signals;
  const { density_kgpm3, waveSpeed_mps, plateau_s } = constants;
  const time_s: number[] = [];
  const value: number[] = [];
  if (seat.isSoftened !== true || seat.front === null) return { time_s, value };
  const base = { time_s: outlet.samples.time_s, value: back.value };
  const middle_s = seat.front.at_s;
  const back_Pa = meanOver(base, { from_s: middle_s - plateau_s, to_s: middle_s + plateau_s });
  if (back_Pa === null) return { time_s, value };
  const half_s = Math.max(0.012 * plateau_s, 0.51 * outlet.step_s);
  const pressure = (at_s: number) =>
    meanOver(outlet.samples, { from_s: at_s - half_s, to_s: at_s + half_s }) ??
    valueAt(outlet.samples, at_s) ??
    back_Pa;
  for (let share = 0.8; share > 0.02; share -= 0.02) {
    const at_s = middle_s - share * plateau_s;
    const velocityEarlier_mps = valueAt(motion.velocity, at_s - plateau_s);
    if (velocityEarlier_mps === null) continue;
    time_s.push(at_s);
    value.push(
      valveVelocity_mps(at_s, pressure, {
        plateau_s,
        back_Pa,
        impedance: density_kgpm3 * waveSpeed_mps,
        velocityEarlier_mps,
      }),
    );
  }
  return { time_s, value };
}
