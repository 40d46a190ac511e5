/**
 * The seating where samples are missing. It lies where the valve was open before and shut after, so a hole between two such
 * samples may hold it: the interval is the hole and no shape is read off its ends. Times in s from the record's origin.
 */
import { indexAt, indexOfLargest, meanOver, range } from '../../statistics/samples.ts';
import type { LegSignals } from '../reading/leg-signals.ts';
import { blind, lost_s, type Missing, type Stretch, within } from '../reading/missing.ts';
import type { Closure } from './closure.ts';

/** Where the seating lies, seen at the outlet tap. */
export interface Bracket {
  readonly from_s: number;
  readonly to_s: number;
  /** The hole that may hold it; the longest where there are several. */
  readonly hole: Stretch;
}

/** Loss of drive and velocity at it, where they are known. */
export interface Departure {
  readonly trip_s: number | null;
  readonly approach_mps: number | null;
}

/** A disc may touch so long after it stopped the flow, in s; holes so near to the front count. */
const near_s = 0.25;

/**
 * Holes of the inlet in which the outlet has samples: their difference is a guess there. Empty without an inlet, and where
 * both taps lack the same instants.
 */
function guessed(signals: LegSignals): Missing {
  if (signals.inlet === null) return [];
  const { time_s } = signals.outlet.samples;
  const short_s = Math.max(0.004, 3.2 * signals.outlet.step_s);
  return blind(signals.inlet.missing).filter(({ from_s, to_s }) => {
    // A straight line over a few samples makes no rise that lasts.
    if (to_s - from_s < short_s) return false;
    const k = indexAt(time_s, from_s + 1e-9);
    return k < time_s.length && time_s[k] < to_s - 1e-9;
  });
}

/**
 * The leg as the closing is to be read from it: without the inlet where that has a hole so near to a rise (or to the search,
 * without one) that the difference of the taps may have made the rise or hidden it.
 */
export function searchable(signals: LegSignals, closure: Closure | null): LegSignals {
  const holes = guessed(signals);
  const near = { from_s: (closure?.half_s ?? 0) - 0.012, to_s: (closure?.half_s ?? 0) + 0.012 };
  const isHoled = closure === null ? holes.length > 0 : within(holes, near).length > 0;
  if (!isHoled) return signals;
  return {
    ...signals,
    inlet: null,
    difference: signals.calm,
    differenceSigma: signals.outlet.sigma,
  };
}

/**
 * The bracket of a closing that was found; null where the samples show it whole. A front needs three samples beside it
 * without a hole, or it cannot be said to be one.
 */
export function bracketOf(signals: LegSignals, closure: Closure, departure: Departure): Bracket | null {
  const holes = blind(signals.outlet.missing);
  if (holes.length === 0) return null;
  const { step_s } = signals.outlet;
  const guard_s = Math.max(3.2 * step_s, 3 * signals.constants.lag_s);
  const { half_s } = closure;
  let from_s = half_s;
  let to_s = half_s;
  let hole: Stretch | null = null;
  for (const each of within(holes, { from_s: half_s - guard_s, to_s: half_s + guard_s })) {
    from_s = Math.min(from_s, each.to_s <= half_s ? each.from_s : Math.max(each.from_s, half_s - guard_s));
    if (each.from_s <= half_s) from_s = Math.min(from_s, each.from_s);
    to_s = Math.max(to_s, each.to_s);
    hole = longer(hole, each);
  }
  // An earlier hole, after which the valve is not seen open, may hold the closing of which this rise is the ringing.
  const earlier = holes.filter(
    (each) => each.to_s <= from_s && each.to_s > (departure.trip_s ?? half_s - near_s),
  );
  for (const each of earlier.reverse()) {
    if (isOpenAfter(signals, each, half_s, departure)) break;
    from_s = each.from_s;
    hole = longer(hole, each);
  }
  if (hole === null) return null;
  to_s = Math.max(to_s, half_s);
  for (const each of holes) {
    if (each.from_s < to_s || each.from_s > to_s + near_s) continue;
    if (isShutBefore(signals, to_s, each)) break;
    to_s = each.to_s;
    hole = longer(hole, each);
  }
  return { from_s, to_s: latestTouch_s(signals, to_s), hole };
}

/** Whether the valve is surely shut between an instant and a later hole: a ring period about the later level fits in. */
function isShutBefore(signals: LegSignals, from_s: number, hole: Stretch): boolean {
  const late_Pa = lateLevel_Pa(signals, hole.to_s);
  const mean_Pa = ringMean_Pa(signals, from_s, hole.from_s);
  if (late_Pa === null || mean_Pa === null) return false;
  return mean_Pa > late_Pa - Math.max(0.1e5, 4 * signals.outlet.sigma);
}

function longer(a: Stretch | null, b: Stretch): Stretch {
  return a === null || b.to_s - b.from_s > a.to_s - a.from_s ? b : a;
}

/** A closing that no rise shows: the first hole with an open valve before it and a shut one after. Null without one. */
export function hiddenClosure(signals: LegSignals, departure: Departure): Closure | null {
  const { time_s, value } = signals.calm;
  for (const hole of blind(signals.outlet.missing)) {
    if (departure.trip_s === null || hole.to_s <= departure.trip_s) continue;
    const late_Pa = lateLevel_Pa(signals, hole.to_s);
    const before_Pa = meanOver(signals.calm, { from_s: hole.from_s - 0.02, to_s: hole.from_s });
    const after_Pa = ringMean_Pa(signals, hole.to_s, Number.POSITIVE_INFINITY);
    if (late_Pa === null || before_Pa === null || after_Pa === null) continue;
    const under_Pa = late_Pa - before_Pa;
    if (under_Pa < Math.max(0.1e5, 4 * signals.outlet.sigma) || after_Pa < late_Pa - 0.4 * under_Pa) continue;
    const index = Math.min(time_s.length - 1, indexAt(time_s, hole.to_s - 1e-9));
    const step_Pa = value[index] - value[Math.max(0, index - 1)];
    return { index, half_s: (hole.from_s + hole.to_s) / 2, step_Pa };
  }
  return null;
}

/** Level that the outlet settles to, in Pa; null when the record ends before. */
function lateLevel_Pa(signals: LegSignals, at_s: number): number | null {
  const { ring_s } = signals.constants;
  return meanOver(signals.calm, {
    from_s: at_s + Math.max(0.4, 8 * ring_s),
    to_s: Number.POSITIVE_INFINITY,
  });
}

/** Mean over the first whole ring periods (50 ms of them, or one) of a window without holes, in Pa; null where none fits in. */
function ringMean_Pa(signals: LegSignals, from_s: number, to_s: number): number | null {
  const { ring_s } = signals.constants;
  const most = Math.max(1, Math.round(0.05 / ring_s));
  const periods = Math.min(most, Math.floor((to_s - from_s) / ring_s));
  if (periods < 1) return null;
  const long_s = periods * ring_s;
  const span = { from_s, to_s: from_s + long_s };
  return lost_s(blind(signals.outlet.missing), span) > 0.1 * long_s ? null : meanOver(signals.calm, span);
}

/**
 * Whether the valve is surely open between a hole and a later rise: over whole ring periods the outlet lies under its later
 * level, about which that of a shut leg rings; or the column still runs forward by more than a hole can hide.
 */
function isOpenAfter(signals: LegSignals, hole: Stretch, until_s: number, departure: Departure): boolean {
  const { outlet, constants, calm } = signals;
  const late_Pa = lateLevel_Pa(signals, until_s);
  if (late_Pa === null) return false;
  const guard_s = Math.max(2 * outlet.step_s, 3 * constants.lag_s);
  const [begin, stop] = range(calm.time_s, { from_s: departure.trip_s ?? hole.from_s - 0.1, to_s: until_s });
  let lowest_Pa = late_Pa;
  for (let k = begin; k < stop; k++) lowest_Pa = Math.min(lowest_Pa, calm.value[k]);
  const open_Pa = late_Pa - Math.max(0.15e5, 4 * outlet.sigma, 0.3 * (late_Pa - lowest_Pa));
  // A damped disc raises the outlet long before it touches: one stretch under the level is enough.
  const half_s = constants.ring_s / 2;
  for (let at_s = hole.to_s; at_s + constants.ring_s < until_s - guard_s; at_s += half_s) {
    const mean_Pa = ringMean_Pa(signals, at_s, until_s - guard_s);
    const isWhole = mean_Pa !== null && !isParted(signals, at_s, at_s + constants.ring_s);
    if (isWhole && mean_Pa < open_Pa) return true;
  }
  const { trip_s, approach_mps } = departure;
  if (trip_s === null || approach_mps === null) return false;
  const inertia = constants.density_kgpm3 * constants.inertiaLength_m;
  const [first, end] = range(calm.time_s, { from_s: trip_s, to_s: hole.to_s });
  let impulse = 0;
  let steepest_Pa = 0;
  for (let k = Math.max(1, first); k < end; k++) {
    const under_Pa = late_Pa - (calm.value[k] + calm.value[k - 1]) / 2;
    impulse += under_Pa * (calm.time_s[k] - calm.time_s[k - 1]);
    steepest_Pa = Math.max(steepest_Pa, under_Pa);
  }
  const hidden = steepest_Pa * lost_s(blind(outlet.missing), { from_s: trip_s, to_s: hole.to_s });
  // The level is only roughly known here, so no less than most of the flow will do.
  return approach_mps - (impulse + hidden) / inertia > 0.6 * approach_mps;
}

/** Whether the outlet came near to vapour pressure in a window: a shut leg with a cavity hangs under its level, too. */
function isParted(signals: LegSignals, from_s: number, to_s: number): boolean {
  const { time_s, value } = signals.calm;
  const [first, end] = range(time_s, { from_s, to_s });
  for (let k = first; k < end; k++) if (value[k] < -0.6e5) return true;
  return false;
}

/**
 * How late the seat may be touched when a hole hides the front that ended before `from_s`: while the slam lasts, and half of
 * that again, since a damped disc touches as the pressure falls; later still where no inlet shows a disc thrown back.
 */
function latestTouch_s(signals: LegSignals, from_s: number): number {
  const { time_s, value } = signals.calm;
  const { plateau_s } = signals.constants;
  const level = lateLevel_Pa(signals, from_s);
  const again_s = signals.inlet === null ? 0.05 : 0;
  if (level === null) return from_s + near_s;
  const first = indexAt(time_s, from_s - 1e-9);
  const limit = Math.min(value.length, indexAt(time_s, from_s + Math.max(near_s, 4 * plateau_s)));
  // Behind the hole the valve may still be open: the slam begins where the outlet first stands above its later level.
  let start = first;
  while (start < limit - 1 && value[start] < level) start++;
  if (start >= limit - 1) start = first;
  let end = start;
  while (end < limit - 1 && !(value[end] < level && value[end + 1] < level)) end++;
  const top = indexOfLargest(value, start, Math.max(start + 1, end));
  const begin_s = Math.max(from_s, start === first ? from_s : time_s[start]);
  const end_s = time_s[Math.min(end, time_s.length - 1)];
  const top_s = top < 0 ? from_s : time_s[top];
  return Math.max(from_s + again_s, top_s, begin_s + 1.5 * Math.max(0, end_s - begin_s));
}

/** Index of the first sample behind a hole from `index` on; the number of samples without one. */
export function endOfRun(signals: LegSignals, index: number): number {
  const { time_s } = signals.outlet.samples;
  const from_s = time_s[Math.min(index, time_s.length - 1)];
  for (const hole of blind(signals.outlet.missing))
    if (hole.from_s >= from_s) return indexAt(time_s, hole.to_s - 1e-9);
  return time_s.length;
}
