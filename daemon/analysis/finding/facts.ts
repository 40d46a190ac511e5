/** What one leg's record shows, in the order in which each thing needs the one before: the base of every result. */

import { fitLine, onLine } from '../../statistics/fit.ts';
import { indexOfLargest, meanOver, range } from '../../statistics/samples.ts';
import { coverage, type Estimate, together } from '../../statistics/uncertainty.ts';
import type { LegSignals } from '../reading/leg-signals.ts';
import { blind, type Stretch } from '../reading/missing.ts';
import { findClosure } from './closure.ts';
import { hiddenClosure, searchable } from './hidden-seat.ts';
import { type Motion, reversal_s } from './impulse.ts';
import {
  approach,
  type BackPressure,
  backPressure,
  type MeterKnowledge,
  type Settled,
  settle,
  steadyLine,
} from './levels.ts';
import { knownMeter, type MeterTail, meterTail } from './meter-tail.ts';
import { findMotion } from './motion.ts';
import { type Reach, reachOf } from './reach.ts';
import { readSeat, type Seat, shutFrom_s } from './seat.ts';
import type { Trip } from './trip.ts';
import { type TapAnswer, twoTapSpeed } from './two-taps.ts';

/** All there is for one leg. */
export interface Facts {
  readonly signals: LegSignals;
  readonly trip: Trip | null;
  readonly approach_mps: Estimate | null;
  /** The meter's decay to its zero after the seating, and lag and zero as they are used; null without a meter. */
  readonly tail: MeterTail | null;
  readonly meter: MeterKnowledge | null;
  readonly seat: Seat | null;
  /** Why candidates were refused. */
  readonly refused: readonly string[];
  readonly settled: Settled | null;
  readonly back: BackPressure | null;
  readonly motion: Motion | null;
  /** Flow through zero, at the seat, in s from the origin. */
  readonly reversal: Reversal | null;
  /** What missing samples may hide of the closing; null where they hide nothing. */
  readonly reach: Reach | null;
  /** Largest sample of the slam. */
  readonly peak: { readonly index: number; readonly at_s: number; readonly raw_Pa: number } | null;
  /** Static level 50 ms after seating, and what the outlet lies below it just before. */
  readonly static_Pa: number | null;
  readonly sag_Pa: number | null;
  readonly isActive: boolean;
  /** Wave speed from outlet and mid tap, or why there is none; null without a seating. */
  readonly tapSpeed: TapAnswer | null;
}

/** An instant, and how much earlier or later it may be because samples are missing. */
export interface Reversal extends Estimate {
  readonly early_s: number;
  readonly late_s: number;
}

/** A velocity used where no meter tells any: typical of pumped mains (common practice, no source). */
const typical_mps: Estimate = { value: 2, uncertainty: 1.5 };

/** Below this a leg counts as not flowing, in m/s. */
const idle_mps = 0.12;

/**
 * Collects the facts of one leg, each from the ones before it. Instants in s from the record's origin, gauge Pa, m/s
 * positive from pump to tank. What cannot be had is null, with all that rests on it; never throws. `trip` null: no motion.
 */
export function gather(signals: LegSignals, trip: Trip | null): Facts {
  const first_mps = trip === null || signals.meter === null ? null : approach(signals.meter, trip.at_s);
  const departure = { trip_s: trip === null ? null : trip.at_s, approach_mps: first_mps?.value ?? null };
  const search = {
    trip_s: departure.trip_s,
    approach_mps: Math.max(0.5, first_mps?.value ?? typical_mps.value),
  };
  const first = findClosure(signals, search);
  const searched = searchable(signals, first.closure);
  const answer = searched === signals ? first : findClosure(searched, search);
  const closure = answer.closure ?? hiddenClosure(searched, departure);
  const seat = closure === null ? null : readSeat(searched, closure, departure);
  const shut_s = seat === null ? null : shutFrom_s(seat);
  const tail =
    seat === null || signals.meter === null
      ? null
      : meterTail(signals.meter, shutFrom_s(seat), seat.isSoftened === false);
  const meter = signals.meter === null ? null : knownMeter(signals.meter, tail);
  const approach_mps =
    trip === null || signals.meter === null || meter === null
      ? null
      : approach(signals.meter, trip.at_s, meter);
  const settled =
    shut_s === null ? null : settle(signals, shut_s, Math.abs(approach_mps?.value ?? typical_mps.value));
  const peak = seat === null ? null : largestAfter(signals, seat, trip);
  const static_Pa = seat === null || settled === null ? null : settled.level_Pa(seat.at_s + 0.05);
  const still: Facts = {
    signals,
    trip,
    approach_mps,
    tail,
    meter,
    seat,
    refused: answer.refused,
    settled,
    peak,
    static_Pa,
    sag_Pa: seat === null || settled === null ? null : settled.level_Pa(seat.at_s) - seat.before_Pa,
    isActive: seat !== null || isFlowing(signals, trip, approach_mps),
    tapSpeed: seat === null ? null : twoTapSpeed(signals, seat),
    back: null,
    motion: null,
    reversal: null,
    reach: null,
  };
  if (trip === null || seat === null || settled === null || peak === null) return still;
  return { ...still, ...moved(signals, { trip, seat, settled, peak, approach_mps }) };
}

/** What the motion of the column between trip and seating rests on. */
interface Ends {
  readonly trip: Trip;
  readonly seat: Seat;
  readonly settled: Settled;
  readonly peak: NonNullable<Facts['peak']>;
  readonly approach_mps: Estimate | null;
}

/** The motion of the column between trip and seating, and its reversal. */
function moved(signals: LegSignals, ends: Ends): Pick<Facts, 'back' | 'motion' | 'reversal' | 'reach'> {
  const { trip, seat, settled, peak, approach_mps } = ends;
  const line = signals.meter === null ? null : steadyLine(signals.meter.samples, trip.at_s);
  const total_s = seat.at_s - trip.at_s;
  // The flow falls about straight from the trip to its reversal, which the seating follows.
  const flowShare = (elapsed_s: number) => elapsed_s - (elapsed_s * elapsed_s) / (2 * total_s);
  const back = backPressure(signals, settled, {
    trip_s: trip.at_s,
    seating_s: seat.at_s,
    flowShare,
    steadyChange_mps2: line?.slope ?? 0,
  });
  const motion = findMotion(signals, {
    seat,
    settled,
    back,
    trip,
    approach_mps: approach_mps ?? typical_mps,
    peak_Pa: peak.raw_Pa,
  });
  if (motion === null) return { back, motion, reversal: null, reach: null };
  const reach = reachOf(signals, { seat, settled, trip, motion, peak_Pa: peak.raw_Pa });
  const reversal = inHoles(signals, { seat, trip, reach }, reversalOf(signals, seat, trip, motion));
  return { back, motion, reversal, reach };
}

/** Whether anything flowed: by the meter, else by a fall of the outlet after the trip. */
function isFlowing(signals: LegSignals, trip: Trip | null, approach_mps: Estimate | null): boolean {
  if (approach_mps !== null) return approach_mps.value > idle_mps;
  if (trip === null) return false;
  const { samples, sigma } = signals.outlet;
  const line = steadyLine(samples, trip.at_s);
  const later = meanOver(samples, { from_s: trip.at_s + 0.1, to_s: trip.at_s + 0.25 });
  if (line === null || later === null) return false;
  return onLine(line, trip.at_s + 0.175) - later > Math.max(0.05e5, 3 * sigma);
}

/**
 * Largest sample of the slam. A damped disc may stop the flow, be thrown back and touch later and more softly: unless the
 * closure was sharp, the search begins a quarter of a second before the seating, but well after the trip.
 */
function largestAfter(signals: LegSignals, seat: Seat, trip: Trip | null): Facts['peak'] {
  const { samples, step_s } = signals.outlet;
  const seated_s = seat.at_s - 2 * step_s;
  const from_s =
    seat.isSoftened === false || trip === null
      ? seated_s
      : Math.min(seated_s, Math.max(trip.at_s + 0.1, seat.at_s - 0.25));
  const [first, end] = range(samples.time_s, { from_s, to_s: Number.POSITIVE_INFINITY });
  // Spikes are taken out of the search only where the ring is well resolved; see `readSignals`.
  const values =
    signals.spikes > 0 && signals.constants.ring_s > 24 * step_s ? signals.calm.value : samples.value;
  const index = indexOfLargest(values, first, end);
  return index < 0 ? null : { index, at_s: samples.time_s[index], raw_Pa: values[index] };
}

/**
 * Reversal at the seat: the impulse velocity is late by the sensor's lag and the way to the tap. Where the velocity
 * only just fails to cross before the seating, within its doubt, it is produced to zero, at most to the seating.
 */
function reversalOf(signals: LegSignals, seat: Seat, trip: Trip, motion: Motion): Estimate | null {
  if (seat.hidden !== null) return seenReversal(signals, seat.hidden, trip, motion);
  const { lag_s, tap_m, waveSpeed_mps } = signals.constants;
  const late_s = lag_s + tap_m / waveSpeed_mps;
  const crossing_s = reversal_s(motion.velocity, { from_s: trip.at_s + 0.01, to_s: seat.at_s + late_s });
  const front_s = seat.front?.at_s ?? seat.at_s;
  const near_s = Math.min(crossing_s ?? front_s, front_s) - 1e-6;
  const window_s = Math.max(0.02, 3.01 * signals.outlet.step_s);
  const line = fitLine(motion.velocity, { from_s: near_s - window_s, to_s: near_s });
  if (line === null || line.slope >= 0) return null;
  const velocityDoubt = motion.uncertaintyAt(near_s);
  const doubt_s = velocityDoubt / -line.slope;
  const uncertainty = together(doubt_s, 4e-4, (seat.front === null ? 0.2 : 0.05) * signals.outlet.step_s);
  if (crossing_s !== null) return { value: crossing_s - late_s, uncertainty };
  const produced_s = line.middle_s - line.level / line.slope - late_s;
  if (produced_s > seat.at_s + 2 * together(doubt_s, seat.uncertainty_s)) return null;
  return { value: Math.min(produced_s, seat.at_s), uncertainty };
}

/** As `reversalOf`, where the seating is hidden: only a crossing before the hole is seen. */
function seenReversal(signals: LegSignals, hole: Stretch, trip: Trip, motion: Motion): Estimate | null {
  const { lag_s, tap_m, waveSpeed_mps } = signals.constants;
  const crossing_s = reversal_s(motion.velocity, { from_s: trip.at_s + 0.01, to_s: hole.from_s });
  if (crossing_s === null) return null;
  const line = fitLine(motion.velocity, { from_s: crossing_s - 0.02, to_s: crossing_s });
  if (line === null || line.slope >= 0) return null;
  const uncertainty = together(motion.uncertaintyAt(crossing_s) / -line.slope, 4e-4);
  return { value: crossing_s - lag_s - tap_m / waveSpeed_mps, uncertainty };
}

/**
 * The reversal with the holes that it may lie in. Not seen, with a hole that may hold the seating: between the earliest
 * that the column before the hole allows and the latest seating.
 */
function inHoles(
  signals: LegSignals,
  { seat, trip, reach }: { readonly seat: Seat; readonly trip: Trip; readonly reach: Reach | null },
  seen: Estimate | null,
): Reversal | null {
  const { lag_s, tap_m, waveSpeed_mps } = signals.constants;
  const late_s = lag_s + tap_m / waveSpeed_mps;
  if (seen === null) {
    if (reach === null || seat.hidden === null) return null;
    const left_mps = -reach.before_mps - coverage * reach.beforeUncertainty_mps;
    // Surely forward by so much: later than the hole's begin; perhaps backward already: earlier, at a third of that slowing.
    const from_s = reach.hole.from_s - late_s + (left_mps / reach.slowing_mps2) * (left_mps > 0 ? 1 : 3);
    const to_s = seat.at_s + seat.late_s;
    if (from_s >= to_s) return null;
    const first_s = Math.max(trip.at_s, from_s);
    const value = Math.min(to_s, first_s + 0.4 * Math.max(0, seat.at_s - first_s));
    return { value, uncertainty: 4e-4, early_s: value - first_s, late_s: to_s - value };
  }
  const reach_s = coverage * seen.uncertainty + 0.5 * signals.outlet.step_s;
  let early_s = 0;
  let after_s = 0;
  for (const hole of blind(signals.outlet.missing)) {
    if (hole.to_s - late_s < seen.value - reach_s || hole.from_s - late_s > seen.value + reach_s) continue;
    if (hole.to_s < trip.at_s) continue;
    early_s = Math.max(early_s, seen.value - (hole.from_s - late_s));
    after_s = Math.max(after_s, hole.to_s - late_s - seen.value);
  }
  const latest_s = Math.max(0, seat.at_s + seat.late_s - seen.value);
  return {
    ...seen,
    early_s: Math.min(early_s, seen.value - trip.at_s),
    late_s: Math.min(Math.max(0, after_s), latest_s),
  };
}
