/** Finds the closing of the valve: the step of outlet over inlet that lasts, in a valve that was open, on an armed rig. */

import { indexAt, mean, meanOver, median, range, type Samples } from '../../statistics/samples.ts';
import type { LegSignals } from '../reading/leg-signals.ts';

/** What the search needs to know besides the leg. Times in s from the record's origin. */
export interface ClosureSearch {
  /** Loss of drive; null when nobody knows it. */
  readonly trip_s: number | null;
  /** Steady velocity before the trip in m/s, or a typical one when there is no meter. */
  readonly approach_mps: number;
}

/** A closing found. */
export interface Closure {
  /** Index of the first sample of the front on the outlet's axis. */
  readonly index: number;
  /** Where the step crosses half its height, in s, uncorrected. */
  readonly half_s: number;
  /** Height of the step within the detection window, in Pa. */
  readonly step_Pa: number;
}

/** A closing, or the reason why there is none: `refused` counts candidates by the first condition they failed. */
export type ClosureAnswer =
  | { readonly closure: Closure; readonly refused: readonly string[] }
  | { readonly closure: null; readonly refused: readonly string[] };

/** A trip arms the search for so long, in s. */
const armed_s = 8;

/**
 * First candidate that meets all conditions. A candidate is a rise of the difference (outlet minus inlet) over 2.5 ms
 * that exceeds the noise and a share of the full Joukowsky pressure of the approach velocity, moved to the steepest
 * place. Shares instead of fixed pressures keep the rule the same for small and large velocities; they equal 0.15,
 * 0.12 and 0.2 bar at 2.5 m/s and 1275 m/s.
 */
export function findClosure(signals: LegSignals, search: ClosureSearch): ClosureAnswer {
  const { time_s, value } = signals.difference;
  const { density_kgpm3, waveSpeed_mps } = signals.constants;
  const full_Pa = density_kgpm3 * waveSpeed_mps * Math.max(0.5, search.approach_mps);
  const step_s = signals.outlet.step_s;
  const w = Math.max(1, Math.round(0.0025 / step_s));
  const from_s = search.trip_s === null ? time_s[0] : search.trip_s;
  const first = Math.max(w, indexAt(time_s, from_s));
  const end = indexAt(time_s, from_s + armed_s);
  const threshold = Math.max(quietStep(value, w, first) * 6, 0.0047 * full_Pa);
  const refused: string[] = [];
  const isSlow = signals.constants.perPlateau < 8;
  for (let k = first; k < end; k++) {
    if (value[k] - value[k - w] <= threshold) continue;
    k = isSlow ? lastSteeper(value, signals.calm.value, k, end) : steepest(value, k, w, end);
    const reason = refuse(signals, search, k, full_Pa);
    if (reason === null) return { closure: cross(signals.difference, k, w), refused };
    refused.push(reason);
    // The rest of this rise is the same candidate.
    while (k + 1 < end && value[k + 1] - value[k + 1 - w] > threshold) k++;
  }
  return { closure: null, refused };
}

/** Usual size of a difference over `w` samples while nothing happens: 1.483 times the median, before the trip. */
function quietStep(value: Float64Array, w: number, first: number): number {
  const from = Math.max(w, first - 20_000);
  const stride = Math.max(1, Math.floor((first - from) / 2000));
  const sizes: number[] = [];
  for (let k = from; k < first; k += stride) sizes.push(Math.abs(value[k] - value[k - w]));
  return 1.483 * (median(Float64Array.from(sizes), 0, sizes.length) ?? 0);
}

/** Climbs to the steepest place: on while a steeper one follows within w + 1 samples. */
function steepest(value: Float64Array, k: number, w: number, end: number): number {
  let best = k;
  for (let j = k + 1; j < end && j <= best + w + 1; j++) {
    if (value[j] - value[j - w] > value[best] - value[best - w]) best = j;
  }
  return best;
}

/**
 * The same in a slow record, where a front falls between two samples and the ring after it may look steeper: on only
 * while every single sample adds more than the one before, as a softened closure does, and the outlet does so too.
 */
function lastSteeper(difference: Float64Array, outlet: Float64Array, k: number, end: number): number {
  const grows = (value: Float64Array, j: number) => value[j + 1] - value[j] > value[j] - value[j - 1];
  let j = k;
  while (j + 1 < end && grows(difference, j) && grows(outlet, j)) j++;
  return j;
}

/** First condition that the candidate at `k` fails, in words; null when it meets all. */
function refuse(signals: LegSignals, search: ClosureSearch, k: number, full_Pa: number): string | null {
  const { time_s } = signals.difference;
  const { ring_s } = signals.constants;
  const at_s = time_s[k];
  const sigma = signals.differenceSigma;
  const hasInlet = signals.inlet !== null;
  // A damped valve throttles long before it seats and holds a difference then: compare with the valve still open.
  const since_s = Math.max(search.trip_s ?? at_s - 0.5, at_s - 1.5);
  const before = lowestLevel(signals.difference, since_s, at_s);
  const ringing = meanOver(signals.difference, { from_s: at_s, to_s: at_s + ring_s });
  if (ringing === null || ringing - before < Math.max(0.0037 * full_Pa, 2 * sigma)) return 'no lasting step';
  const later = meanOver(signals.difference, {
    from_s: at_s + Math.max(0.05, ring_s),
    to_s: at_s + Math.max(0.3, 6 * ring_s),
  });
  if (later !== null && later - before < 0.0062 * full_Pa) return 'the step did not stay';
  if (!hasRecovered(signals, at_s)) return 'the outlet stayed under its later level';
  const meter = signals.meter;
  if (hasInlet && before > 1.2e5 + 0.3e5 * search.approach_mps) return 'the valve was shut already';
  if (meter !== null) {
    const settle_s = 1.2 + Math.max(0, 4 * meter.series.channel.responseTime_s - 1.2);
    const [from, to] = range(meter.samples.time_s, { from_s: at_s + settle_s, to_s: at_s + settle_s + 0.4 });
    const rest_mps = mean(meter.samples.value, from, to);
    const most_mps = Math.max(0.25, 0.1 * search.approach_mps);
    // After a hard slam the column swings on through the valve for seconds. But nothing other than a shut valve holds
    // such a difference over a whole ring period, or stops a tenth of the flow within milliseconds.
    const w = Math.max(1, Math.round(0.0025 / signals.outlet.step_s));
    const { value } = signals.difference;
    const isHeld = (hasInlet ? ringing - before : value[k] - value[Math.max(0, k - w)]) > 0.12 * full_Pa;
    const isFlowing = rest_mps !== null && Math.abs(rest_mps) > most_mps && !isHeld;
    if (isFlowing && !holdsLater(signals, rest_mps, at_s + settle_s)) return 'the flow went on';
    if (search.trip_s === null) {
      const earlier_mps = meanOver(meter.samples, { from_s: at_s - 0.7, to_s: at_s - 0.5 });
      if (earlier_mps === null || earlier_mps < 0.25) return 'nothing flowed before it';
    }
  }
  return null;
}

/** No valve through which less than this share of the bore lets water is open: what runs back is a leak, or a slow meter. */
const shut_ratio = 0.06;

/**
 * Whether the valve holds a pressure back later that drives far more through an open one than the meter reads, by the law of the
 * orifice, V = share sqrt(2 dp / density) (ISO 5167-2, with the coefficient in the share): it is shut, and leaks, or the meter is slow.
 */
function holdsLater(signals: LegSignals, rest_mps: number, from_s: number): boolean {
  if (signals.inlet === null) return false;
  const held_Pa = meanOver(signals.difference, { from_s, to_s: Number.POSITIVE_INFINITY });
  if (held_Pa === null || held_Pa < 0.2e5) return false;
  return Math.abs(rest_mps) < shut_ratio * Math.sqrt((2 * held_Pa) / signals.constants.density_kgpm3);
}

/**
 * A shut leg rings about its settled level from the start; in an open one the outlet stays under it by what speeds the
 * column up. So the outlet must make up at least half of what it lay under its later level, over whole ring periods:
 * the slam of another leg shakes this one without shutting it. True when the record cannot tell.
 */
function hasRecovered(signals: LegSignals, at_s: number): boolean {
  const { ring_s, perPlateau } = signals.constants;
  const late = meanOver(signals.calm, {
    from_s: at_s + Math.max(0.4, 8 * ring_s),
    to_s: Number.POSITIVE_INFINITY,
  });
  const window_s = ring_s * Math.max(1, Math.round(0.05 / ring_s));
  const after = meanOver(signals.calm, { from_s: at_s, to_s: at_s + window_s });
  const before = meanOver(signals.calm, { from_s: at_s - 0.02, to_s: at_s - 0.004 });
  if (late === null || after === null || before === null) return true;
  const under = late - before;
  if (under < Math.max(0.1e5, 4 * signals.outlet.sigma)) return true;
  // A slow record takes a poor mean of the ring.
  return after - before > (perPlateau < 8 ? 0.3 : 0.5) * under;
}

/** Lowest level that lasts about 5 ms (one sample when slower) in a window. */
function lowestLevel(samples: Samples, from_s: number, to_s: number): number {
  const { time_s, value } = samples;
  const [first, end] = range(time_s, { from_s, to_s });
  let lowest = Number.POSITIVE_INFINITY;
  for (let k = first; k < end; k++) {
    const stop = Math.min(end, Math.max(k + 1, indexAt(time_s, time_s[k] + 0.005)));
    lowest = Math.min(lowest, mean(value, k, stop) ?? value[k]);
  }
  return Number.isFinite(lowest) ? lowest : 0;
}

/** Half crossing of the step that ends at `k`, by straight lines between samples. */
export function cross(samples: Samples, k: number, w: number): Closure {
  const { time_s, value } = samples;
  const low = value[k - w];
  const half = (low + value[k]) / 2;
  let j = k - w + 1;
  while (j < k && value[j] < half) j++;
  const rise = value[j] - value[j - 1];
  const share = rise > 0 ? Math.min(1, Math.max(0, (half - value[j - 1]) / rise)) : 1;
  return { index: j, half_s: time_s[j - 1] + share * (time_s[j] - time_s[j - 1]), step_Pa: value[k] - low };
}
