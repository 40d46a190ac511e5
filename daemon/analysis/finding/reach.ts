/**
 * How far the flow and the pressure can have gone where samples are missing about the closing: bounds by the momentum of
 * the column before the hole, never a guess at what lay in it. Times in s from the record's origin, gauge Pa, m/s.
 */
import { fitLine } from '../../statistics/fit.ts';
import { range, valueAt } from '../../statistics/samples.ts';
import { coverage } from '../../statistics/uncertainty.ts';
import type { LegSignals } from '../reading/leg-signals.ts';
import { blind, longest_s, type Missing, type Stretch, within } from '../reading/missing.ts';
import type { Motion } from './impulse.ts';
import type { Settled } from './levels.ts';
import { type Seat, shutFrom_s } from './seat.ts';
import type { Trip } from './trip.ts';

/** What is known of a closing of which samples are missing. */
export interface Reach {
  /** The longest stretch that may hold the seating or the peak. */
  readonly hole: Stretch;
  readonly isPeakHidden: boolean;
  /** Reverse velocity at the last instant before the hole (negative: still forward), and its standard uncertainty. */
  readonly before_mps: number;
  readonly beforeUncertainty_mps: number;
  /** Largest deceleration that the hole can hide. */
  readonly slowing_mps2: number;
  /** The reverse velocity that is likely at the seating, and the largest that the column can have reached by it. */
  readonly likely_mps: number;
  readonly fastest_mps: number;
  /** The largest velocity that can have been left at the seating: no step is higher than the slam. */
  readonly fastestAtSeat_mps: number;
  /** Highest and lowest outlet pressure that this column can have made when it was stopped. */
  readonly top_Pa: number;
  readonly bottom_Pa: number;
}

/** What the reach is made from. */
export interface ReachGround {
  readonly seat: Seat;
  readonly settled: Settled;
  readonly trip: Trip;
  readonly motion: Motion;
  readonly peak_Pa: number;
}

/** A hole hides a deceleration of so many times the one before it: a pump that runs down lets go more and more. */
const growth = 1.5;

/** Null where every sample about the closing is there. */
export function reachOf(signals: LegSignals, ground: ReachGround): Reach | null {
  const { seat, settled } = ground;
  const hiding = peakHoles(signals, ground);
  const hole = seat.hidden ?? longestOf(hiding);
  if (hole === null) return null;
  const column = columnBefore(signals, ground, hole);
  const { density_kgpm3, waveSpeed_mps, inertiaLength_m } = signals.constants;
  const impedance = density_kgpm3 * waveSpeed_mps;
  const shut_s = shutFrom_s(seat);
  const level_Pa = settled.level_Pa(shut_s);
  const { before_mps, beforeUncertainty_mps, slowing_mps2, from_s } = column;
  const doubt_mps = coverage * beforeUncertainty_mps + 0.02;
  const ran_s = Math.max(0, shut_s - from_s);
  const fastest_mps = Math.max(0, column.seen_mps, before_mps + slowing_mps2 * ran_s) + doubt_mps;
  const likely_mps = Math.max(0, before_mps + (slowing_mps2 / growth) * Math.max(0, seat.at_s - from_s));
  const { front } = seat;
  const sag_Pa = density_kgpm3 * inertiaLength_m * slowing_mps2;
  const surge_Pa = Math.max(0, ground.peak_Pa - level_Pa);
  // A front that is seen whole says what follows it: its step, and the ramp of a plateau.
  const top_Pa =
    seat.hidden === null && front !== null && seat.isSoftened === false
      ? front.after_Pa + 1.3 * Math.max(0, level_Pa - front.before_Pa) + 0.12 * Math.max(0, front.step_Pa)
      : level_Pa + Math.min(1.1 * impedance * fastest_mps + sag_Pa, ringing_Pa(ground));
  const later_Pa =
    seat.hidden === null && within(hiding, afterPlateau(signals, seat)).length > 0 ? 0.3 * surge_Pa : 0;
  const highest_Pa = Math.max(top_Pa, ground.peak_Pa + later_Pa) + 3 * signals.outlet.sigma;
  const atSeat_mps = (highest_Pa - level_Pa + sag_Pa) / impedance + 0.02;
  return {
    hole,
    isPeakHidden: hiding.length > 0,
    before_mps,
    beforeUncertainty_mps,
    slowing_mps2,
    likely_mps: Math.min(likely_mps, fastest_mps),
    fastest_mps,
    fastestAtSeat_mps: Math.min(fastest_mps, atSeat_mps),
    top_Pa: highest_Pa,
    bottom_Pa: level_Pa - (highest_Pa - level_Pa) - sag_Pa,
  };
}

/** The amplitude of a ring-down over its slam: largest ratio of 120 simulated closures with a clear ring 3.5, median 1.4. */
const overRing = 4.5;

/** What the ring-down after the hole, produced back to the earliest seating, says of the slam at most, in Pa over the level. */
function ringing_Pa({ seat, settled }: ReachGround): number {
  const { ring } = settled;
  if (ring === null || ring.explained < 0.8) return Number.POSITIVE_INFINITY;
  const back_s = seat.hidden === null ? 0 : seat.early_s + seat.late_s;
  return overRing * ring.amplitude_Pa * Math.exp(back_s / Math.max(0.05, ring.decay_s));
}

function longestOf(holes: Missing): Stretch | null {
  const most_s = longest_s(holes);
  return holes.find(({ from_s, to_s }) => to_s - from_s === most_s) ?? null;
}

/** After the plateau of the first slam, as far as a later one may come. */
function afterPlateau(signals: LegSignals, seat: Seat) {
  return { from_s: shutFrom_s(seat) + 1.2 * signals.constants.plateau_s, to_s: shutFrom_s(seat) + 1.5 };
}

/**
 * Holes that may hide a pressure above the largest sample: about the seating and on the plateau after it, and later ones
 * near which the outlet still swings by a good part of that.
 */
function peakHoles(signals: LegSignals, { seat, settled, peak_Pa }: ReachGround): Missing {
  const { samples } = signals.outlet;
  const { plateau_s, ring_s } = signals.constants;
  const holes = blind(signals.outlet.missing);
  const early_s = seat.isSoftened === false ? 0 : Math.max(seat.early_s, seat.hidden === null ? 0.25 : 0);
  const slam = {
    from_s: seat.at_s - early_s,
    to_s: seat.at_s + Math.max(seat.late_s, 0) + 1.2 * plateau_s + 2 * signals.outlet.step_s,
  };
  const near = within(holes, slam);
  const later = within(holes, { from_s: slam.to_s, to_s: slam.to_s + 1.5 }).filter(({ from_s, to_s }) => {
    const [first, end] = range(samples.time_s, { from_s: from_s - 1.2 * ring_s, to_s: to_s + 1.2 * ring_s });
    let swing_Pa = 0;
    for (let k = first; k < end; k++)
      swing_Pa = Math.max(swing_Pa, Math.abs(samples.value[k] - settled.level_Pa(samples.time_s[k])));
    return swing_Pa > 0.7 * (peak_Pa - settled.level_Pa(seat.at_s));
  });
  return [...near, ...later];
}

/** The column at the last instant at which it is followed before a hole: reverse velocity, and how it changes. */
function columnBefore(signals: LegSignals, { seat, trip, motion }: ReachGround, hole: Stretch) {
  const { velocity } = motion;
  const { lag_s } = signals.constants;
  const open_s = seat.front?.at_s ?? Math.min(hole.from_s, seat.at_s);
  const from_s = Math.max(trip.at_s, Math.min(open_s - 1e-6, Math.max(hole.from_s, trip.at_s)));
  const before_mps = -(valueAt(velocity, from_s) ?? 0);
  const [first, end] = range(velocity.time_s, { from_s: trip.at_s, to_s: from_s });
  let seen_mps = before_mps;
  for (let k = first; k < end; k++) seen_mps = Math.max(seen_mps, -velocity.value[k]);
  const slope = fitLine(velocity, { from_s: Math.max(trip.at_s, from_s - 0.03), to_s: from_s })?.slope ?? 0;
  const approach_mps = Math.max(0, motion.approach_mps.value);
  const mean_mps2 = approach_mps / Math.max(0.05, seat.at_s - trip.at_s);
  const slowing_mps2 = growth * Math.max(-slope, mean_mps2, 0.5);
  return {
    from_s: from_s - lag_s,
    before_mps,
    seen_mps,
    beforeUncertainty_mps: motion.uncertaintyAt(from_s),
    slowing_mps2,
  };
}
