/**
 * Whether the outlet's instrument is what the rig file says, by what it shows at the seating. The fit of the front is judged by what
 * it leaves over the noise and over the step; where that is too much, or where a slower sensor explains the samples better, instrument
 * and instant are fitted with nothing taken for granted.
 */
import { meanOver, range, type Samples } from '../../statistics/samples.ts';
import type { LegSignals } from '../reading/leg-signals.ts';
import {
  type FreeLag,
  fitFreeLag,
  fitLineRing,
  fitOneLag,
  type ResponseFit,
  type ResponseSearch,
} from './response.ts';
import type { Seat } from './seat.ts';

/** What is wrong with the outlet at the seating; `sound` when nothing is seen to be. */
export type OutletHealth =
  | { readonly kind: 'sound' }
  /** The lag is another one than the file's, and how long it is is known. */
  | { readonly kind: 'slower'; readonly lag: FreeLag }
  /** It is longer than the file says, but not how much. */
  | { readonly kind: 'too-slow'; readonly lag: FreeLag }
  | { readonly kind: 'line-rings'; readonly line: ResponseFit }
  /** Nothing in the record turns as fast as the file's sensor could show: a soft closure, or a slow sensor. */
  | { readonly kind: 'nothing-fast'; readonly turn_s: number }
  /** No instrument explains the front. Both are ratios: what is left over the noise, and over the step. */
  | { readonly kind: 'misfit'; readonly overNoise: number; readonly overStep: number };

const sound: OutletHealth = { kind: 'sound' };

/** What a fit may leave over the noise: on clean records it is 0.9 to 1.1. */
const mostOverNoise = 1.6;
/** And over the step: a real front differs a little from two lines, which shows on a hard slam (the clean ones of the studies). */
const mostOverStep = 0.05;

/** What the outlet showed of a closing besides its front: the settled level at it, and the largest pressure of the slam, in Pa. */
export interface Shown {
  readonly trip_s: number | null;
  readonly level_Pa: number;
  readonly peak_Pa: number;
  /** Whether it would be called less than a severe slam: then a slow sensor must be excluded, not only be likely. */
  readonly isGentle: boolean;
  /** From the seating to the peak, in s. */
  readonly peakAfter_s: number;
  /** How much later than the contact allows the pressure shows the trip, in s: an early contact, or a slow sensor. */
  readonly kneeLate_s: number;
}

/** Judges the outlet at a seating; never throws. `shown` null: the outlet did not settle. */
export function outletHealth(
  signals: LegSignals,
  seat: Seat | null,
  shown: Shown | null = null,
): OutletHealth {
  if (seat === null || seat.hidden !== null) return sound;
  const unmirrored = shown === null ? sound : (lateKnee(seat, shown) ?? unmirroredSag(signals, seat, shown));
  if (signals.constants.perPlateau < 8) return unmirrored;
  const search = searchOf(signals, seat);
  const { front } = seat;
  const noise = Math.max(1, signals.outlet.sigma);
  const overNoise = front === null ? 0 : front.sigma_Pa / noise;
  const isSoftened = seat.isSoftened === true;
  // A valve that throttles evenly also makes a rise as of a slow sensor: there the peak must be low besides.
  const isLow = shown !== null && (shown.isGentle || unmirroredSag(signals, seat, shown, 1).kind !== 'sound');
  const slower = isSoftened && !isLow ? null : slowerLag(signals, search);
  if (slower !== null) return lineOf(signals, search) ?? slower;
  // A ring drags the rise of a sharp front out, so that it looks softened.
  if (isSoftened) {
    const line = overNoise > mostOverNoise ? dragged(signals, search, seat) : null;
    const slow = line ?? nothingFast(signals, seat);
    return slow.kind === 'sound' ? unmirrored : slow;
  }
  if (unmirrored.kind !== 'sound' || front === null) return unmirrored;
  const overStep = excess_Pa(front.sigma_Pa, noise) / Math.max(1, Math.abs(front.step_Pa));
  if (overNoise <= mostOverNoise || overStep <= mostOverStep) return sound;
  return lineOf(signals, search) ?? { kind: 'misfit', overNoise, overStep };
}

/** A trip that the pressure shows too late, and no sharp front that shows a fast sensor: it may be slow by as much. */
function lateKnee(seat: Seat, { isGentle, kneeLate_s }: Shown): OutletHealth | null {
  const isShownFast = seat.isSoftened === false && seat.front !== null;
  return isGentle && !isShownFast && kneeLate_s > 0.012 ? { kind: 'nothing-fast', turn_s: kneeLate_s } : null;
}

/** Share of the sag that a sharp closing mirrors at least, and one that throttled first. */
const leastMirrored = { sharp: 0.6, softened: 0.3, gentle: 1.5 } as const;

/** A gentle closing that no sharp front shows to be one must stand out of the sag clearly. */
function leastOf({ isSoftened, front }: Seat, { isGentle, peakAfter_s }: Shown, usual_s: number): number {
  const isShownFast = isSoftened === false && front !== null;
  if (isShownFast) return leastMirrored.sharp;
  // A slow record shows no front; its peak comes within the plateau, through a slow sensor long after it.
  if (isGentle && (isSoftened === true || peakAfter_s > usual_s)) return leastMirrored.gentle;
  return isSoftened === true ? leastMirrored.softened : leastMirrored.sharp;
}

/**
 * A column that is stopped stands as far over its level as the outlet lay under it before, by what slowed the column, whatever the valve
 * stopped besides: density x length x deceleration. A pressure that does not is that of a very soft closing, or of a slow sensor, which
 * shows the long sag and not the short peak.
 */
function unmirroredSag(
  { calm, outlet, constants }: LegSignals,
  seat: Seat,
  shown: Shown,
  least: number = leastOf(seat, shown, 1.5 * constants.plateau_s + 3 * outlet.step_s),
): OutletHealth {
  const from_s = Math.max((shown.trip_s ?? seat.at_s - 0.3) + 0.02, seat.at_s - 0.3);
  const block_s = Math.max(0.02, 1.01 * outlet.step_s);
  let lowest_Pa = Number.POSITIVE_INFINITY;
  for (let at_s = from_s; at_s + block_s <= seat.at_s; at_s += block_s / 2)
    lowest_Pa = Math.min(lowest_Pa, meanOver(calm, { from_s: at_s, to_s: at_s + block_s }) ?? lowest_Pa);
  const sag_Pa = shown.level_Pa - lowest_Pa;
  if (!(sag_Pa > Math.max(0.15e5, 6 * outlet.sigma))) return sound;
  // Few samples on the plateau miss part of the peak: sag/n on average.
  const missed_Pa = sag_Pa / Math.max(1, constants.perPlateau);
  if (shown.peak_Pa - shown.level_Pa + missed_Pa >= least * sag_Pa) return sound;
  return { kind: 'nothing-fast', turn_s: Math.max(0.002, 2 * outlet.step_s) };
}

/** A rise that the ring itself dragged out takes a third of its period or so; a longer one is the valve's. */
function dragged(signals: LegSignals, search: ResponseSearch, { rise_s }: Seat): OutletHealth | null {
  const found = lineOf(signals, search);
  if (found?.kind !== 'line-rings' || found.line.instrument.kind !== 'line') return null;
  return (rise_s ?? 1) * found.line.instrument.natural_Hz < 0.45 ? found : null;
}

/** The line that rings, where it explains the front far better than the stated sensor does; null where it does not. */
function lineOf({ outlet, constants }: LegSignals, search: ResponseSearch): OutletHealth | null {
  const { samples, step_s, sigma } = outlet;
  const plain = fitOneLag(samples, search, Math.max(constants.lag_s, 0.1 * step_s));
  const line = fitLineRing(samples, search, step_s);
  if (plain === null || line === null || line.instrument.kind !== 'line') return null;
  const { natural_Hz, damping_ratio } = line.instrument;
  const step_Pa = line.after_Pa - line.before_Pa;
  const isRing =
    damping_ratio < 0.3 &&
    natural_Hz > 1.3 / constants.plateau_s &&
    natural_Hz < 0.16 / Math.max(1e-6, constants.lag_s);
  const isClear = step_Pa > 8 * sigma && line.fit.sigma < 0.1 * step_Pa;
  return isRing && isClear && 3 * line.fit.sigma < plain.fit.sigma ? { kind: 'line-rings', line } : null;
}

/** What a scatter holds beyond the noise, in Pa. */
function excess_Pa(scatter: number, noise: number): number {
  return Math.sqrt(Math.max(0, scatter * scatter - noise * noise));
}

function searchOf(signals: LegSignals, { closure }: Seat): ResponseSearch {
  const { plateau_s } = signals.constants;
  const { step_s } = signals.outlet;
  const half_s = closure.half_s;
  return {
    from_s: half_s - Math.max(0.02, 8 * step_s),
    to_s: half_s + 0.8 * plateau_s,
    earliest_s: half_s - Math.max(0.012, 3 * step_s),
    latest_s: half_s + 0.003 + step_s,
  };
}

/** A lag longer than the file allows, where the samples ask for one; null where they do not. */
function slowerLag(signals: LegSignals, search: ResponseSearch): OutletHealth | null {
  const { outlet, constants } = signals;
  const { responseTime_s, responseTimeHalfWidth_s } = outlet.series.channel;
  const allowed_s = Math.max(responseTime_s + responseTimeHalfWidth_s, 0.1 * outlet.step_s, 5e-5);
  const squares = (lag_s: number) =>
    fitOneLag(outlet.samples, search, lag_s)?.fit.squares ?? Number.POSITIVE_INFINITY;
  const asStated = squares(allowed_s);
  const variance = outlet.sigma ** 2;
  // Cheap look first: some longer lag explains the samples far better (chi-squared, five sigmas).
  const asSlower = [2, 6, 18, 54].map((factor) => squares(factor * allowed_s));
  if (!(Math.min(...asSlower) < asStated - 25 * variance)) return null;
  const lag = fitFreeLag(outlet.samples, search, allowed_s / 2, outlet.sigma);
  if (lag === null || lag.low_s <= 1.15 * allowed_s) return null;
  // A gas pocket or a moving body also makes a slow front, but none that a lag explains.
  // A change of bore rounds a front off a little; a far longer lag is seen in a form of its own.
  const share = lag.low_s > 2 * allowed_s ? 0.03 : 0.02;
  const most = Math.max(mostOverNoise * outlet.sigma, share * changeIn(outlet.samples, search));
  if (lag.best.fit.sigma > most) return null;
  const isKnown = !lag.isOpen && lag.high_s < 2.5 * lag.low_s && lag.high_s < 0.3 * constants.plateau_s;
  return { kind: isKnown ? 'slower' : 'too-slow', lag };
}

/** What the samples of a window span, in Pa: the step of a slow sensor is produced far beyond what was seen. */
function changeIn({ time_s, value }: Samples, window: ResponseSearch): number {
  const [first, end] = range(time_s, window);
  let least = Number.POSITIVE_INFINITY;
  let most = Number.NEGATIVE_INFINITY;
  for (let k = first; k < end; k++) {
    least = Math.min(least, value[k]);
    most = Math.max(most, value[k]);
  }
  return Math.max(0, most - least);
}

/**
 * A softened closure still ends with a turn: the disc touches, the wave comes back. How long the sharpest turn of the record takes, in s:
 * largest change over the largest change of the change.
 */
function nothingFast(signals: LegSignals, seat: Seat): OutletHealth {
  const { outlet, constants } = signals;
  const w = Math.max(1, Math.round(0.002 / outlet.step_s));
  if (w * outlet.step_s > 0.15 * constants.plateau_s) return sound;
  const turn_s = sharpestTurn_s(
    outlet.samples,
    { from_s: seat.at_s - 0.1, to_s: seat.at_s + 0.3 },
    w,
    12 * outlet.sigma,
  );
  const { responseTime_s, responseTimeHalfWidth_s } = outlet.series.channel;
  if (turn_s === null || turn_s < Math.max(0.0035, 3 * (responseTime_s + responseTimeHalfWidth_s)))
    return sound;
  return { kind: 'nothing-fast', turn_s };
}

function sharpestTurn_s(
  { time_s, value }: Samples,
  span: { readonly from_s: number; readonly to_s: number },
  w: number,
  least: number,
): number | null {
  const [first, end] = range(time_s, span);
  let change = 0;
  let turn = 0;
  for (let k = first; k < end - 2 * w; k++) {
    change = Math.max(change, Math.abs(value[k + w] - value[k]));
    turn = Math.max(turn, Math.abs(value[k] - 2 * value[k + w] + value[k + 2 * w]));
  }
  if (turn < least || end - first < 4 * w) return null;
  return (((time_s[end - 1] - time_s[first]) / (end - 1 - first)) * w * change) / turn;
}
