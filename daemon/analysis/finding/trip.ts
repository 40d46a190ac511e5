/** The instant at which the pump lost drive: from a contact, from the pressure switch, or from the knee in pressure. */
import type { ContactSource } from '../../../config/rig.ts';
import { fitColumns, fitLine, fitLineOf, onLine } from '../../statistics/fit.ts';
import { indexAt, mean, meanOver, range, type Samples, type Span } from '../../statistics/samples.ts';
import {
  coverage,
  type Estimate,
  ofInterval,
  ofRectangle,
  outsideOf,
  together,
  weighted,
} from '../../statistics/uncertainty.ts';
import type { Channel, LegSignals } from '../reading/leg-signals.ts';
import { clean, delayDoubt_s } from '../reading/leg-signals.ts';
import { blind, within } from '../reading/missing.ts';
import type { EventRecord, Series } from '../record.ts';
import type { Verdict } from '../verdict.ts';

/** Where the loss of drive lies, in s from the record's origin. */
export interface Trip {
  readonly at_s: number;
  readonly low_s: number;
  readonly high_s: number;
  readonly source: Verdict['tripSource'];
  readonly method: string;
  /** How far the knee of the pressure lies outside what the contact allows, in s; 0 inside, null without both. */
  readonly kneeOutside_s: number | null;
  /** Half-width in s of the instant itself, where contact and knee are so far apart that the ends hold both. */
  readonly ownHalf_s?: number;
}

/** Hard bounds of an instant. */
interface Bounds {
  readonly low_s: number;
  readonly high_s: number;
}

/**
 * Bounds of the loss of drive from a digital channel: it lies between the last sample at the running level and the
 * first of a stop that holds for 20 ms, less the delay of the source; the channel's own is off its time stamps. Null when the channel never stops, or never ran.
 */
export function edgeOf(channel: Channel, source: ContactSource): Bounds | null {
  const { time_s, value } = channel.samples;
  const isRunning = (k: number) => (value[k] >= 0.5 ? 1 : 0) === source.runningLevel;
  for (let k = 1; k < time_s.length; k++) {
    if (!isRunning(k - 1) || isRunning(k)) continue;
    let stays = true;
    for (let j = k + 1; stays && j < time_s.length && time_s[j] < time_s[k] + 0.02; j++)
      stays = !isRunning(j);
    if (!stays) continue;
    const doubt_s = channel.series.halfWidth_s;
    const [young_s, old_s] = channel.series.channel.delay_s;
    const half_s = (old_s - young_s) / 2;
    return {
      low_s: time_s[k - 1] - doubt_s - source.delay_s[1] - half_s,
      high_s: time_s[k] + doubt_s - source.delay_s[0] + half_s,
    };
  }
  return null;
}

/** Settings of the search for the knee: where to look, and how long the pressure front needs from the pump. */
export interface KneeSearch {
  /** Middle and half-width of the search, in s. */
  readonly about_s: number;
  readonly within_s: number;
  /** Travel time of the wave from the pump and lag of the sensor, in s. */
  readonly late_s: number;
}

/**
 * Knee: the steady pressure is a straight line before the trip and falls almost straight after it. The residual from
 * the line over [-0.8, -0.06] s is searched for the first lasting fall; a straight line through the fall, produced
 * back to the steady line, gives a first guess, `hinge` the knee. Null when there is none.
 */
export function kneeOf(samples: Samples, sigma: number, search: KneeSearch): Estimate | null {
  const { time_s, value } = samples;
  const steady = fitLine(samples, {
    from_s: search.about_s - 0.8,
    to_s: search.about_s - search.within_s - 0.01,
  });
  if (steady === null || steady.n < 8) return null;
  const residual = new Float64Array(time_s.length);
  for (let k = 0; k < residual.length; k++) residual[k] = value[k] - onLine(steady, time_s[k]);
  const spread = Math.max(sigma, steady.sigma);
  const [first, end] = range(time_s, {
    from_s: search.about_s - search.within_s,
    to_s: search.about_s + search.within_s,
  });
  for (let k = first; k < end; k++) {
    const to = Math.max(indexAt(time_s, time_s[k] + 0.006), k + 2);
    const fall = mean(residual, k, Math.min(to, time_s.length));
    if (fall === null || fall >= -((4 * spread) / Math.sqrt(to - k) + 0.01e5)) continue;
    const stop = Math.max(indexAt(time_s, time_s[k] + 0.03), k + 4);
    const slant = fitLineOf(time_s, residual, k, Math.min(stop, time_s.length));
    if (slant === null) return null;
    const knee_s = slant.slope < 0 ? slant.middle_s - slant.level / slant.slope : Number.NEGATIVE_INFINITY;
    // A pump that stops almost at once gives a step down: the line through what follows it leads nowhere.
    if (knee_s < time_s[k] - 0.03) {
      const step_s = k > 0 ? time_s[k] - time_s[k - 1] : 0;
      return { value: time_s[k] - step_s / 2 - search.late_s, uncertainty: together(step_s / 2, 0.002) };
    }
    return (
      hinge(time_s, residual, knee_s, search.late_s) ?? { value: knee_s - search.late_s, uncertainty: 0.004 }
    );
  }
  return null;
}

/**
 * The fall bends, as the pump runs down: nothing before the knee, a parabola from it on, fitted over 60 ms before and
 * 55 ms after a first guess, with the knee where the misfit is least. (A straight fall instead read 0.8-4 ms early over
 * random simulated trips, the parabola 0.1.) Null with fewer than six samples after the knee.
 */
function hinge(
  time_s: Float64Array,
  residual: Float64Array,
  guess_s: number,
  late_s: number,
): Estimate | null {
  const [first, end] = range(time_s, { from_s: guess_s - 0.06, to_s: guess_s + 0.055 });
  const y = residual.subarray(first, end);
  const fall = new Float64Array(y.length);
  const square = new Float64Array(y.length);
  const misfit = (knee_s: number): { readonly squares: number; readonly n: number } | null => {
    for (let k = 0; k < fall.length; k++) {
      const t = Math.max(0, time_s[first + k] - knee_s);
      fall[k] = t;
      square[k] = t * t;
    }
    const fit = fitColumns([fall, square], y);
    return fit === null || fit.coefficients[0] >= 0 ? null : { squares: fit.squares, n: fit.n };
  };
  if (end - indexAt(time_s, guess_s) < 5) return null;
  const trials: { readonly at_s: number; readonly squares: number }[] = [];
  const grid_s = 0.0005;
  for (let k = -40; k <= 40; k++) {
    const trial = misfit(guess_s + k * grid_s);
    if (trial !== null) trials.push({ at_s: guess_s + k * grid_s, squares: trial.squares });
  }
  if (trials.length < 5) return null;
  const best = trials.reduce((least, trial) => (trial.squares < least.squares ? trial : least));
  // One variance more of misfit on either side is one standard uncertainty.
  const limit = best.squares * (1 + 1 / Math.max(1, y.length - 3));
  const near = trials.filter(({ squares }) => squares <= limit).map(({ at_s }) => at_s);
  const step_s = (time_s[end - 1] - time_s[first]) / Math.max(1, end - first - 1);
  // 1.2 ms for what is not known of the pipes and valves between pump and tap.
  const width_s = Math.max(...near) - Math.min(...near) + grid_s;
  return { value: best.at_s - late_s, uncertainty: together(width_s / 2, 0.0012, 0.12 * step_s) };
}

/**
 * First guess where no contact tells: the first 20 ms mean that lies clearly below the line of the 0.8 s before it
 * and is followed by three more. In s; null when the pressure never falls so.
 */
export function guessKnee_s(samples: Samples, sigma: number): number | null {
  const { time_s, value } = samples;
  const n = time_s.length;
  if (n < 20) return null;
  const begin = time_s[0];
  for (let at = begin + 0.3; at < time_s[n - 1] - 0.1; at += 0.01) {
    const line = fitLine(samples, { from_s: Math.max(begin, at - 0.8), to_s: at - 0.02 });
    if (line === null || line.n < 8) continue;
    const levels: number[] = [];
    for (let block = 0; block < 4; block++) {
      const [first, end] = range(time_s, { from_s: at + 0.02 * block, to_s: at + 0.02 * block + 0.0199 });
      const level = mean(value, first, end);
      if (level !== null) levels.push(level - onLine(line, at + 0.02 * block + 0.01));
    }
    if (levels.length < 4) continue;
    const least = Math.max(0.02e5, 5 * Math.max(sigma, line.sigma));
    const isFalling = levels.every((level, k) => level < (k === 0 ? -0.2 : -0.6) * least);
    if (!isFalling || levels[3] >= -least) continue;
    // The end of a fill also leaves the line, but does not fall.
    const before = meanOver(samples, { from_s: at - 0.05, to_s: at - 0.005 });
    const after = meanOver(samples, { from_s: at + 0.06, to_s: at + 0.08 });
    if (before !== null && after !== null && after < before - 0.5 * least) return at;
  }
  return null;
}

/** Standard uncertainty of the trip in s: its 95 % interval over twice the coverage factor. */
export function tripUncertainty_s(trip: Trip): number {
  return (trip.ownHalf_s ?? (trip.high_s - trip.low_s) / 2) / coverage;
}

/** How much earlier or later than its own interval the trip may be, in s, where contact and knee are far apart; else 0. */
export function tripBesides({ at_s, low_s, high_s, ownHalf_s }: Trip): {
  readonly early_s: number;
  readonly late_s: number;
} {
  if (ownHalf_s === undefined) return { early_s: 0, late_s: 0 };
  return {
    early_s: Math.max(0, at_s - low_s - ownHalf_s),
    late_s: Math.max(0, high_s - at_s - ownHalf_s),
  };
}

/** A window of the record's clock in s after the trip, as results carry it; null without a trip. */
export function afterTrip(trip: Trip | null, { from_s, to_s }: Span): Span | null {
  return trip === null ? null : { from_s: from_s - trip.at_s, to_s: to_s - trip.at_s };
}

/** The trip of an event: contact first, pressure switch second, both sharpened by the knee; else the knee alone. */
export function findTrip(
  record: EventRecord,
  allSignals: readonly LegSignals[],
  origin_s: number,
): Trip | null {
  const digital = (series: Series | null, source: ContactSource | null): Bounds | null => {
    const channel = source === null ? null : clean(series, origin_s);
    return channel === null || source === null ? null : edgeOf(channel, source);
  };
  const contact = digital(record.contact, record.trip.contact);
  const pressureSwitch = contact === null ? digital(record.pressureSwitch, record.trip.pressureSwitch) : null;
  const bounds = contact ?? pressureSwitch;
  const knees: Estimate[] = [];
  for (const signals of allSignals) {
    const knee = kneeOfLeg(signals, bounds);
    if (knee !== null) knees.push(knee);
  }
  const knee = knees.length === 0 ? null : weighted(knees);
  if (bounds === null) {
    if (knee === null || !record.trip.detected) return null;
    return fromEstimate(knee, 'pressure-knee', 'knee of the steady pressure');
  }
  const source = contact === null ? ('pressure-switch' as const) : ('contact' as const);
  const name = contact === null ? 'pressure switch' : 'run contact';
  const edge: Estimate = {
    value: (bounds.low_s + bounds.high_s) / 2,
    uncertainty: ofRectangle((bounds.high_s - bounds.low_s) / 2),
  };
  const slack_s = 0.003;
  const kneeOutside_s = knee === null ? null : outsideOf(knee.value, [bounds.low_s, bounds.high_s]);
  if (knee !== null && Math.abs(kneeOutside_s ?? 0) > Math.max(4 * slack_s, coverage * knee.uncertainty)) {
    return apart(knee, bounds, { source, name, kneeOutside_s });
  }
  if (knee === null || knee.value < bounds.low_s - slack_s || knee.value > bounds.high_s + slack_s) {
    return {
      at_s: edge.value,
      low_s: bounds.low_s,
      high_s: bounds.high_s,
      source,
      method: `${name} less its delay`,
      kneeOutside_s,
    };
  }
  const both = weighted([edge, knee]);
  const trip = fromEstimate(both, source, `${name} less its delay, with the knee of the pressure`);
  return {
    ...trip,
    kneeOutside_s,
    at_s: Math.min(Math.max(trip.at_s, bounds.low_s), bounds.high_s),
    low_s: Math.max(trip.low_s, bounds.low_s),
    high_s: Math.min(trip.high_s, bounds.high_s),
  };
}

/**
 * Contact and knee far apart: a stop command in place of the contact, a slow contactor, a controller's scan, late taps - or a fall of the
 * pressure that was not the trip. The ends hold both; the value is the earlier of them, from which on the column may be slowed.
 */
function apart(
  knee: Estimate,
  bounds: Bounds,
  { source, name, kneeOutside_s }: Pick<Trip, 'source' | 'kneeOutside_s'> & { readonly name: string },
): Trip {
  const isKnee = knee.value < bounds.low_s;
  const kneeHalf_s = coverage * knee.uncertainty;
  return {
    at_s: isKnee ? knee.value : (bounds.low_s + bounds.high_s) / 2,
    low_s: Math.min(bounds.low_s, knee.value - kneeHalf_s),
    high_s: Math.max(bounds.high_s, knee.value + kneeHalf_s),
    source,
    method: isKnee
      ? `knee of the pressure; the ${name} is far behind it, the interval holds both`
      : `${name} less its delay; the knee of the pressure is far behind it, the interval holds both`,
    kneeOutside_s,
    ownHalf_s: isKnee ? kneeHalf_s : (bounds.high_s - bounds.low_s) / 2,
  };
}

function fromEstimate(estimate: Estimate, source: Trip['source'], method: string): Trip {
  const half_s = coverage * estimate.uncertainty;
  return {
    at_s: estimate.value,
    low_s: estimate.value - half_s,
    high_s: estimate.value + half_s,
    source,
    method,
    kneeOutside_s: null,
  };
}

/** The knee is looked for so near the contact first, and so far from it where it is not there, in s. */
const near_s = 0.05;
const farthest_s = 0.25;

/** Knee from the inlet (nearer the pump), else from the outlet. */
function kneeOfLeg(signals: LegSignals, bounds: Bounds | null): Estimate | null {
  const { leg, constants } = signals;
  const channel = signals.inlet ?? signals.outlet;
  const samples = signals.inlet?.samples ?? signals.calm;
  const tap_m = signals.inlet === null ? -constants.tap_m : (leg.inlet?.distance_m ?? 0);
  const late_s =
    Math.max(0, leg.inletLength_m - tap_m) / constants.waveSpeed_mps + channel.series.channel.responseTime_s;
  if (bounds !== null) {
    const about_s = (bounds.low_s + bounds.high_s) / 2;
    const near = seenKnee(samples, channel, { about_s, within_s: near_s, late_s });
    if (near !== null && !isBent(samples, channel.sigma, about_s)) return withDelay(near, channel);
    // A stop command, a slow contactor or a controller's scan may be far from the loss of drive.
    const far = seenKnee(samples, channel, { about_s, within_s: farthest_s, late_s });
    const isFar = far !== null && Math.abs(far.value - about_s) > near_s;
    return withDelay(isFar ? far : near, channel);
  }
  const about_s = guessKnee_s(samples, channel.sigma);
  if (about_s === null) return null;
  const search = { about_s, within_s: 0.08, late_s };
  const seen = seenKnee(samples, channel, search);
  if (seen !== null) return withDelay(seen, channel);
  const hole = within(blind(channel.missing), { from_s: about_s - 0.09, to_s: about_s + 0.08 })[0];
  if (hole === undefined) return null;
  // Nothing else tells the trip: it lies in the hole, or between that and the fall that was seen.
  const half_s = (Math.max(hole.to_s, about_s) - hole.from_s) / 2 + 0.01;
  return withDelay({ value: hole.from_s + half_s - 0.01 - late_s, uncertainty: half_s / coverage }, channel);
}

/** Whether the stretch before a contact is no steady one: the fall began long before it. */
function isBent(samples: Samples, sigma: number, about_s: number): boolean {
  const from_s = about_s - 0.8;
  const whole = fitLine(samples, { from_s, to_s: about_s - near_s - 0.01 });
  const early = fitLine(samples, { from_s, to_s: about_s - farthest_s - 0.01 });
  return whole !== null && early !== null && early.n > 8 && whole.sigma > 3 * Math.max(sigma, early.sigma);
}

/** The knee where no hole can have hidden that the fall began earlier, or bends what is fitted to it; else null. */
function seenKnee(samples: Samples, channel: Channel, search: KneeSearch): Estimate | null {
  const knee = kneeOf(samples, channel.sigma, search);
  if (knee === null) return null;
  const at_s = knee.value + search.late_s;
  const holes = within(blind(channel.missing), {
    from_s: search.about_s - search.within_s,
    to_s: at_s + 0.03,
  });
  return holes.length === 0 ? knee : null;
}

function withDelay(knee: Estimate | null, channel: Channel): Estimate | null {
  const lag_s = ofInterval(channel.series.channel.responseTimeHalfWidth_s);
  return knee && { ...knee, uncertainty: together(knee.uncertainty, delayDoubt_s(channel), lag_s) };
}
