/** Reads a closing: the instant of seating, whether it was sharp or softened, and the level just before it. */

import { fitLine, onLine } from '../../statistics/fit.ts';
import {
  indexAt,
  indexOfLargest,
  indexOfSmallest,
  meanOver,
  type Samples,
  type Span,
  valueAt,
} from '../../statistics/samples.ts';
import { type Estimate, together } from '../../statistics/uncertainty.ts';
import type { LegSignals } from '../reading/leg-signals.ts';
import { blind, type Stretch, within } from '../reading/missing.ts';
import { type Closure, cross } from './closure.ts';
import {
  type Front,
  type FrontSetting,
  fitFront,
  riseTime_s,
  softenedGrowths_s,
  throttlingGrowths_s,
} from './front.ts';
import { type Bracket, bracketOf, type Departure, endOfRun } from './hidden-seat.ts';

/** A closing with everything that was read off it. Times in s from the record's origin. */
export interface Seat {
  readonly closure: Closure;
  /** Null when too few samples lie on the front. */
  readonly front: Front | null;
  /** 10-90 % of the rise; null when it cannot be told. */
  readonly rise_s: number | null;
  /** Whether the valve throttled the flow long before it seated; null: sampling cannot tell. */
  readonly isSoftened: boolean | null;
  /** Seating, at the seat. */
  readonly at_s: number;
  readonly uncertainty_s: number;
  /** How much later it may be than that, in a slow record where a softened closure cannot be told from a sharp one. */
  readonly late_s: number;
  /** And how much earlier, where a slow record only seems to show that the valve throttled. */
  readonly early_s: number;
  /** Where samples are missing that may hold the seating; null: the samples show it. */
  readonly hidden: Stretch | null;
  /** Outlet just before the step, in Pa. */
  readonly before_Pa: number;
  readonly beforeUncertainty_Pa: number;
}

/** From when on the valve is surely shut: the seating, or the end of the hole that may hold it. In s from the origin. */
export function shutFrom_s({ at_s, late_s, hidden }: Seat): number {
  return hidden === null ? at_s : at_s + late_s;
}

/** A place on the rise, and how much later than the detection it lies when the valve plainly throttled till then. */
interface Place {
  readonly closure: Closure;
  readonly throttled_s: number;
  /** From the detection to the largest pressure of the slam, and to its fall under the later level. */
  readonly toTop_s: number;
  readonly toEnd_s: number;
}

/**
 * Where in a slam the seat was touched. The detection gives a place on the rise; the slam lasts until the outlet falls
 * below its later level. A closure faster than 2L/a seats at the steepest place. One that throttles longer than that
 * seats where the last of the flow is stopped: a jump just before the largest pressure of the slam. In a slow record a
 * rise longer than a plateau and a half is such a closure, too.
 */
function locate(signals: LegSignals, closure: Closure): Place {
  const { time_s, value } = signals.calm;
  const { plateau_s, perPlateau, lag_s } = signals.constants;
  const step_s = signals.outlet.step_s;
  const none = { closure, throttled_s: 0, toTop_s: 0, toEnd_s: 0 };
  const later = meanOver(signals.calm, { from_s: closure.half_s + 0.4, to_s: Number.POSITIVE_INFINITY });
  if (later === null) return none;
  const limit = Math.min(
    indexAt(time_s, closure.half_s + Math.max(0.25, 4 * plateau_s)),
    endOfRun(signals, closure.index),
  );
  let end = closure.index + 2;
  while (end < Math.min(limit, value.length) && !(value[end] < later && value[end - 1] < later)) end++;
  const top = indexOfLargest(value, closure.index, end);
  const w = Math.max(1, Math.round(Math.max(0.002, 2 * lag_s) / step_s));
  const toTop_s = Math.max(0, time_s[top] - closure.half_s);
  const asIs = {
    ...none,
    toTop_s,
    toEnd_s: Math.max(0, time_s[Math.min(end, time_s.length - 1)] - closure.half_s),
  };
  if (perPlateau < 12) {
    if (top < 2 || toTop_s < 1.5 * plateau_s + 2 * step_s) return asIs;
    return { ...asIs, closure: cross(signals.calm, top, 1), throttled_s: toTop_s };
  }
  if (top < w || w * step_s > 0.25 * plateau_s) return asIs;
  const rise = (k: number) => value[k] - value[k - w];
  const steepest = placeOfLargest(rise, closure.index, top + 1);
  // A jump, not the steady ramp of a plateau: more than the rise just before it.
  const jump = top < 2 * w ? 0 : rise(top) - Math.max(0, rise(top - w));
  if (top - steepest > w && jump > Math.max(0.15 * rise(steepest), 6 * signals.outlet.sigma)) {
    return { ...asIs, closure: cross(signals.calm, top, w) };
  }
  const isElsewhere = time_s[steepest] - closure.half_s > 2 * w * step_s;
  return isElsewhere ? { ...asIs, closure: cross(signals.calm, steepest, w) } : asIs;
}

/** The k from `first` on and before `end` with the largest `of(k)`, the first of equals; `first` when there is none. */
function placeOfLargest(of: (k: number) => number, first: number, end: number): number {
  let best = first;
  for (let k = first + 1; k < end; k++) if (of(k) > of(best)) best = k;
  return best;
}

/**
 * A damped disc that stopped the flow off its seat is pressed on it at the latest when the outlet has swung through its low half
 * and stands high again: half a ring period and a quarter after it fell below its later level.
 */
const lowSwing_ratio = 0.75;

/** A cushion may throw the disc back before it ever touches; it comes again within so long, in s. */
const thrownBack_s = 0.25;

/**
 * A later and steeper rise when the first was no closing, null when it was. A column in a shut leg swings as far below
 * its level as it stood above it, until vapour or the inlet's pressure holds it. One that does not still runs through
 * the valve: the disc had stopped the flow without touching, was thrown back, and touched at the next rise. Only for a
 * first rise that was slow, and a record that shows slopes.
 */
function touchedLater(signals: LegSignals, closure: Closure): Closure | null {
  const { time_s, value } = signals.calm;
  const { plateau_s, perPlateau, lag_s } = signals.constants;
  const step_s = signals.outlet.step_s;
  const w = Math.max(1, Math.round(Math.max(0.002, 2 * lag_s) / step_s));
  const level = meanOver(signals.calm, { from_s: closure.half_s + 0.4, to_s: Number.POSITIVE_INFINITY });
  if (signals.inlet === null || level === null || perPlateau < 8 || w * step_s > 0.4 * plateau_s) return null;
  const rise = (k: number) => value[k] - value[k - w];
  const first = Math.max(w, indexAt(time_s, closure.half_s - 0.03));
  const limit = Math.min(indexAt(time_s, closure.half_s + thrownBack_s), endOfRun(signals, closure.index));
  let under = closure.index + 2;
  while (under < limit && !(value[under] < level && value[under - 1] < level)) under++;
  const top = indexOfLargest(value, closure.index, under);
  const low = indexOfSmallest(value, under, Math.min(limit, indexAt(time_s, time_s[top] + 2 * plateau_s)));
  if (low < 0 || under >= limit) return null;
  let nearest = Number.POSITIVE_INFINITY;
  for (let k = under; k <= low; k++) nearest = Math.min(nearest, signals.difference.value[k]);
  const isShut = level - value[low] > 0.6 * (value[top] - level);
  if (isShut || value[low] < -0.6e5 || nearest < 4 * signals.differenceSigma) return null;
  const here = placeOfLargest(rise, first, top);
  if (rise(here) > 0.5 * (value[top] - level)) return null;
  // The next slam is the next time the outlet stands well above its level; smaller swings come before it.
  const high_Pa = level + 0.4 * (value[top] - level);
  let slam = low;
  while (slam < limit && value[slam] < high_Pa) slam++;
  if (slam >= limit) return null;
  const stop = Math.min(limit, indexAt(time_s, time_s[slam] + Math.max(0.5 * plateau_s, w * step_s)));
  const later = placeOfLargest(rise, low, stop);
  if (rise(later) < Math.max(0.8 * rise(here), 8 * signals.outlet.sigma)) return null;
  return cross(signals.calm, later, w);
}

/** A front with throttling before it where that explains the samples far better (F of one more unknown, 15); else null. */
function throttledFront(samples: Samples, setting: FrontSetting, sharp: Front): Front | null {
  const growing = { ...setting, growths_s: throttlingGrowths_s };
  const isBetter = (front: Front | null): front is Front =>
    front !== null &&
    front.step_Pa > 0 &&
    front.count > 7 &&
    sharp.squares_Pa2 - front.squares_Pa2 > (15 * front.squares_Pa2) / (front.count - 6);
  // With the lag that the sharp front showed first: most fronts end here.
  if (!isBetter(fitFront(samples, { ...growing, lag_s: sharp.lag_s, lagHalfWidth_s: 0 }))) return null;
  const front = fitFront(samples, growing);
  return isBetter(front) ? front : null;
}

/**
 * Reads one closing off the outlet of a leg: instants in s from the origin (at the seat, less lag and way to the tap),
 * pressures in gauge Pa, the step positive upward. `front` is null where the sampling does not resolve it; never throws.
 */
export function readSeat(signals: LegSignals, detected: Closure, departure: Departure): Seat {
  const bracket = bracketOf(signals, detected, departure);
  if (bracket !== null) return unseenSeat(signals, detected, bracket);
  const place = locate(signals, touchedLater(signals, detected) ?? detected);
  // The place of the seat lies later on the rise than where that was detected.
  const moved = place.closure === detected ? null : bracketOf(signals, place.closure, departure);
  return moved === null
    ? seenSeat(signals, detected, place)
    : unseenSeat(signals, place.closure, { ...moved, from_s: Math.min(moved.from_s, detected.half_s) });
}

/** The seating that a hole may hold: its interval is the hole, and nothing is said of its shape. */
function unseenSeat(signals: LegSignals, closure: Closure, { from_s, to_s, hole }: Bracket): Seat {
  const { lag_s, waveSpeed_mps, tap_m } = signals.constants;
  const travel_s = tap_m / waveSpeed_mps;
  const early_s = from_s - travel_s - 2 * lag_s;
  const at_s = Math.max(early_s, Math.min(to_s, (hole.from_s + hole.to_s) / 2) - travel_s - 0.8 * lag_s);
  const { value, uncertainty } = levelUpTo(signals, Math.min(hole.from_s, closure.half_s));
  return {
    closure,
    front: null,
    rise_s: null,
    isSoftened: null,
    at_s,
    uncertainty_s: together(0.3 * signals.outlet.step_s, 3e-4),
    late_s: Math.max(0, to_s - travel_s - at_s),
    early_s: at_s - early_s,
    hidden: hole,
    before_Pa: value,
    beforeUncertainty_Pa: uncertainty,
  };
}

/** Outlet over the last 6 ms (or the last two samples) up to an instant, in Pa, with its change over them as doubt. */
function levelUpTo(signals: LegSignals, at_s: number): Estimate {
  const { samples, step_s, sigma } = signals.outlet;
  const span = { from_s: at_s - Math.max(0.006, 2.1 * step_s), to_s: at_s + 1e-9 };
  const line = fitLine(samples, span);
  if (line === null)
    return { value: meanOver(samples, { ...span, from_s: at_s - 1 }) ?? 0, uncertainty: 1e5 };
  return {
    value: onLine(line, at_s),
    uncertainty: together(sigma, Math.abs(line.slope) * (span.to_s - span.from_s)),
  };
}

/** How a closing went at the tap: its front where the sampling resolves one, and whether it was softened. */
type Shape = Pick<Seat, 'front' | 'rise_s' | 'isSoftened'>;

/** The front and the rise of a located closing; null and null where sampling or sensor cannot tell. */
function shapeOf(signals: LegSignals, { closure, throttled_s }: Place): Shape {
  const { outlet } = signals;
  const { lag_s, plateau_s, perPlateau, ring_s } = signals.constants;
  const step_s = outlet.step_s;
  const run = runAbout(signals, closure.half_s);
  const setting = {
    half_s: closure.half_s,
    lag_s,
    lagHalfWidth_s: outlet.series.channel.responseTimeHalfWidth_s,
    step_s,
    before_s: Math.min(Math.max(0.012, 6 * step_s), closure.half_s - run.from_s),
    after_s: Math.min(0.45 * plateau_s, Math.max(0.02, 8 * step_s), run.to_s - closure.half_s),
  };
  const sharpSetting = { ...setting, growths_s: [] };
  const canTell = perPlateau >= 8 && lag_s < 0.25 * plateau_s;
  const sharp = canTell ? fitFront(outlet.samples, sharpSetting) : null;
  const top_Pa = sharp?.after_Pa ?? outlet.samples.value[closure.index];
  const rise_s = canTell
    ? riseTime_s(outlet.samples, closure.half_s, Math.max(0.1, ring_s), 0.3 * plateau_s, top_Pa)
    : null;
  const bySlope = rise_s === null ? null : rise_s > Math.max(0.003, 3 * lag_s, 3 * step_s);
  const isSoftened = throttled_s > 0 ? true : isTorn(signals, closure, rise_s) ? null : bySlope;
  if (isSoftened === true) {
    const front = fitFront(outlet.samples, { ...setting, growths_s: softenedGrowths_s });
    return { front, rise_s, isSoftened };
  }
  const front = sharp === null ? null : (throttledFront(outlet.samples, sharpSetting, sharp) ?? sharp);
  return { front, rise_s, isSoftened };
}

/** A closing whose samples are all there. `detected` is where the search saw it, `located` the place of the seat on its rise. */
function seenSeat(signals: LegSignals, detected: Closure, located: Place): Seat {
  const { closure, throttled_s, toTop_s, toEnd_s } = located;
  const { lag_s, perPlateau, waveSpeed_mps, tap_m } = signals.constants;
  const step_s = signals.outlet.step_s;
  const travel_s = tap_m / waveSpeed_mps;
  const { front, rise_s, isSoftened } = shapeOf(signals, located);
  // Without an inlet nothing tells a disc that was thrown back from one that touched; it comes again within 50 ms or so.
  const again_s = signals.inlet === null && isSoftened !== false ? 0.05 : 0;
  const torn_s = rise_s !== null && isSoftened === null ? Math.max(again_s, toTop_s, 1.4 * toEnd_s) : 0;
  if (front !== null) {
    return touchedInHole(signals, {
      closure,
      front,
      rise_s,
      isSoftened,
      at_s: front.at_s - travel_s,
      // What the shape of the real front differs from the model by.
      uncertainty_s: together(
        front.atUncertainty_s,
        0.1 * step_s,
        isSoftened === true ? 0.1 * (rise_s ?? 0) : 1e-4,
      ),
      // A cushion may stop the flow a little off the seat and touch while the pressure already falls, or after that.
      late_s:
        isSoftened === true
          ? Math.max(
              again_s,
              toEnd_s - (closure.half_s - detected.half_s) + lowSwing_ratio * signals.constants.ring_s,
            )
          : torn_s,
      early_s: 0,
      hidden: null,
      before_Pa: front.before_Pa,
      beforeUncertainty_Pa: together(front.sigma_Pa, isSoftened === true ? 0.2 * front.step_Pa : 0),
    });
  }
  const { value, uncertainty } = levelBefore(signals, closure);
  return touchedInHole(signals, {
    closure,
    front,
    rise_s: rise_s ?? (throttled_s > 0 ? throttled_s : null),
    isSoftened,
    at_s: closure.half_s - travel_s - 0.8 * lag_s,
    uncertainty_s: together((perPlateau < 2 ? 0.5 : 0.42) * step_s, 3e-4),
    late_s:
      isSoftened === true
        ? Math.max(again_s, toEnd_s - throttled_s + lowSwing_ratio * signals.constants.ring_s)
        : isSoftened === null
          ? Math.max(again_s, toTop_s, 1.4 * toEnd_s, 0.5 * step_s, lastCandidate_s(signals, closure))
          : 0,
    // The steepest of so few steps may be one too late.
    early_s:
      (isSoftened === null ? 0.6 * step_s : throttled_s) + (perPlateau < candidatesBelow ? 1.2 * step_s : 0),
    hidden: null,
    before_Pa: value,
    beforeUncertainty_Pa: uncertainty,
  });
}

/** Below so many samples on the plateau one rise looks like another: throttling, seating and the ring after it. */
const candidatesBelow = 1.5;
/** A damped disc touches at most so long after it began to throttle, in s. */
const throttles_s = 0.5;

/** How much later than the detected rise the last one lies that may be the seating as well, in s; 0 where rises differ. */
function lastCandidate_s(signals: LegSignals, { index, half_s }: Closure): number {
  if (signals.constants.perPlateau >= candidatesBelow) return 0;
  const { time_s, value } = signals.calm;
  const end = indexAt(time_s, half_s + throttles_s);
  let most_Pa = 0;
  for (let k = Math.max(1, index); k < end; k++) most_Pa = Math.max(most_Pa, value[k] - value[k - 1]);
  let last = index;
  for (let k = Math.max(1, index); k < end; k++) if (value[k] - value[k - 1] >= 0.4 * most_Pa) last = k;
  return Math.max(0, time_s[last] - half_s) + 0.5 * signals.outlet.step_s;
}

/** The samples round an instant with no hole between them, from the first to the last. */
function runAbout(signals: LegSignals, at_s: number): Span {
  let from_s = Number.NEGATIVE_INFINITY;
  let to_s = Number.POSITIVE_INFINITY;
  for (const hole of blind(signals.outlet.missing)) {
    if (hole.to_s <= at_s) from_s = Math.max(from_s, hole.to_s);
    else to_s = Math.min(to_s, hole.from_s);
  }
  return { from_s, to_s };
}

/** Whether a hole leaves open how long the rise took: it lies on the rise, or hides where that began. */
function isTorn(signals: LegSignals, { half_s, step_Pa, index }: Closure, rise_s: number | null): boolean {
  if (rise_s === null) return false;
  const { ring_s, plateau_s } = signals.constants;
  const { samples } = signals.outlet;
  const holes = blind(signals.outlet.missing);
  const onRise = { from_s: half_s - 1.2 * rise_s, to_s: half_s + Math.min(1.2 * rise_s, 0.3 * plateau_s) };
  if (within(holes, onRise).length > 0) return true;
  const bottom_Pa = samples.value[index] - step_Pa;
  return within(holes, { from_s: half_s - Math.max(0.1, ring_s), to_s: half_s }).some(({ from_s, to_s }) => {
    const before_Pa = valueAt(samples, from_s) ?? 0;
    const after_Pa = valueAt(samples, to_s) ?? 0;
    return after_Pa - Math.min(before_Pa, bottom_Pa) > 0.25 * step_Pa;
  });
}

/** A closure that was not sharp may have touched in a hole that follows soon. */
function touchedInHole(signals: LegSignals, seat: Seat): Seat {
  if (seat.isSoftened === false) return seat;
  const reach = { from_s: seat.at_s, to_s: seat.at_s + Math.max(0.25, seat.late_s) };
  const holes = within(blind(signals.outlet.missing), reach);
  if (holes.length === 0) return seat;
  const last = holes[holes.length - 1];
  return { ...seat, hidden: last, late_s: Math.max(seat.late_s, last.to_s - seat.at_s) };
}

/** Outlet before the step without a front fit: line through the last 6 ms, or the last two samples of a slow record. */
function levelBefore(signals: LegSignals, closure: Closure): Estimate {
  const { samples, step_s, sigma } = signals.outlet;
  const end = closure.index;
  const first = Math.max(0, Math.min(end - 2, indexAt(samples.time_s, closure.half_s - 0.006)));
  if (end - first >= 4) {
    const line = fitLine(samples, { from_s: samples.time_s[first], to_s: samples.time_s[end - 1] });
    if (line !== null)
      return { value: onLine(line, closure.half_s), uncertainty: together(sigma, line.sigma) };
  }
  let sum = 0;
  let count = 0;
  for (let k = first; k < end; k++) {
    sum += samples.value[k];
    count++;
  }
  // The last sample may already sit on the front.
  return { value: sum / Math.max(1, count), uncertainty: sigma + 3e6 * step_s };
}
