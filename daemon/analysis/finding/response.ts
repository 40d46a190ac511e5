/**
 * What the instrument makes of a sharp seating, with nothing taken for granted: a first-order lag of any length, or a line to the
 * sensor that rings (a mass on a spring with little damping: water in an impulse line on the gas in it). The true pressure is a line
 * before the seating and a line after it; the response to its step and to its change of slope is known for either instrument, so
 * that one scan over the instrument and the instant gives both, beside the step that was there.
 */
import { type ColumnFit, fitColumns } from '../../statistics/fit.ts';
import { range, type Samples } from '../../statistics/samples.ts';
import type { Estimate } from '../../statistics/uncertainty.ts';
import { average } from './ring.ts';

/** An instrument: first-order lag in s, or natural frequency (Hz) and damping ratio of the line to it. */
export type Instrument =
  | { readonly kind: 'lag'; readonly lag_s: number }
  | { readonly kind: 'line'; readonly natural_Hz: number; readonly damping_ratio: number };

/** Where the front is looked for, in s. */
export interface ResponseSearch {
  readonly from_s: number;
  readonly to_s: number;
  readonly earliest_s: number;
  readonly latest_s: number;
}

/** The best answer of one kind of instrument. */
export interface ResponseFit {
  readonly instrument: Instrument;
  readonly at_s: number;
  readonly fit: ColumnFit;
  /** Pressure just before and just after the seating, and the slope after it, as they truly were. */
  readonly before_Pa: number;
  readonly after_Pa: number;
  readonly ramp_Paps: number;
}

/** Response to a unit step and to a unit ramp from 0 on, and how late a steady ramp is shown. */
interface Answer {
  readonly late_s: number;
  step(t: number): number;
  ramp(t: number): number;
}

/** Second-order response: any book of control (common practice; checked against its differential equation in the tests). */
function answerOf(instrument: Instrument): Answer {
  if (instrument.kind === 'lag') {
    const { lag_s } = instrument;
    const rest = (t: number) => Math.exp(-t / lag_s);
    return { late_s: lag_s, step: (t) => 1 - rest(t), ramp: (t) => t - lag_s * (1 - rest(t)) };
  }
  const { natural_Hz, damping_ratio: z } = instrument;
  const omega = 2 * Math.PI * natural_Hz;
  const damped = omega * Math.sqrt(1 - z * z);
  const late_s = (2 * z) / omega;
  return {
    late_s,
    step: (t) =>
      1 - Math.exp(-z * omega * t) * (Math.cos(damped * t) + ((z * omega) / damped) * Math.sin(damped * t)),
    ramp: (t) =>
      t -
      late_s +
      Math.exp(-z * omega * t) *
        (late_s * Math.cos(damped * t) + ((2 * z * z - 1) / damped) * Math.sin(damped * t)),
  };
}

/** One fit with the instant and the instrument given; null when the samples do not carry it. */
function attempt(samples: Samples, span: readonly [number, number], at_s: number, instrument: Instrument) {
  const [first, end] = span;
  const n = end - first;
  const [level, slope, after, ramp] = Array.from({ length: 4 }, () => new Float64Array(n));
  const answer = answerOf(instrument);
  for (let k = 0; k < n; k++) {
    const t = samples.time_s[first + k] - at_s;
    const s = t > 0 ? answer.step(t) : 0;
    const r = t > 0 ? answer.ramp(t) : 0;
    level[k] = 1 - s;
    slope[k] = t - answer.late_s - r;
    after[k] = s;
    ramp[k] = r;
  }
  return fitColumns([level, slope, after, ramp], samples.value.subarray(first, end));
}

/** The best instant for one instrument: a grid, then a finer one about its best. */
function bestInstant(
  samples: Samples,
  search: ResponseSearch,
  instrument: Instrument,
  rounds = 3,
): ResponseFit | null {
  const span = range(samples.time_s, search);
  if (span[1] - span[0] < 10) return null;
  let best: ResponseFit | null = null;
  let middle_s = (search.earliest_s + search.latest_s) / 2;
  let width_s = search.latest_s - search.earliest_s;
  for (let round = 0; round < rounds; round++) {
    for (let k = 0; k <= 12; k++) {
      const at_s = middle_s + width_s * (k / 12 - 0.5);
      const fit = attempt(samples, span, at_s, instrument);
      if (fit === null || (best !== null && fit.squares >= best.fit.squares)) continue;
      const c = fit.coefficients;
      best = { instrument, at_s, fit, before_Pa: c[0], after_Pa: c[2], ramp_Paps: c[3] };
    }
    if (best === null) return null;
    middle_s = best.at_s;
    width_s /= 6;
  }
  return best;
}

/** The best fit with one given lag; null when the samples do not carry it. */
export function fitOneLag(samples: Samples, search: ResponseSearch, lag_s: number): ResponseFit | null {
  return bestInstant(samples, search, { kind: 'lag', lag_s });
}

function better(a: ResponseFit | null, b: ResponseFit | null): ResponseFit | null {
  return a === null || (b !== null && b.fit.squares < a.fit.squares) ? b : a;
}

/** A lag fitted freely, and its 95 % interval from the misfit; an end at the end of the range tried is open. */
export interface FreeLag {
  readonly best: ResponseFit;
  readonly lag_s: Estimate;
  readonly low_s: number;
  readonly high_s: number;
  /** The best fit or its upper end lies at the end of what was tried: how slow it is cannot be told. */
  readonly isOpen: boolean;
}

/** Slowest pressure transmitter in use: damped to a few tenths of a second (common practice, no source). */
export const slowest_s = 0.2;

/** Fits the lag over [least_s, slowest_s] without a prior; null when nothing fits. `noise` is the least scatter taken, in Pa. */
export function fitFreeLag(
  samples: Samples,
  search: ResponseSearch,
  least_s: number,
  noise: number,
): FreeLag | null {
  const count = 28;
  const ratio = (slowest_s / least_s) ** (1 / (count - 1));
  const trials: { readonly lag_s: number; readonly squares: number }[] = [];
  let best: ResponseFit | null = null;
  const consider = (lag_s: number) => {
    const trial = bestInstant(samples, search, { kind: 'lag', lag_s });
    if (trial === null) return;
    trials.push({ lag_s, squares: trial.fit.squares });
    best = better(best, trial);
  };
  for (let k = 0; k < count; k++) consider(least_s * ratio ** k);
  const found = best as ResponseFit | null;
  if (found === null || found.instrument.kind !== 'lag') return null;
  const middle_s = found.instrument.lag_s;
  for (const share of [-0.75, -0.5, -0.25, 0.25, 0.5, 0.75]) consider(middle_s * ratio ** share);
  const final = best as unknown as ResponseFit;
  if (final.instrument.kind !== 'lag') return null;
  // chi-squared of one degree, 95 %: 3.84 variances above the least.
  const limit = final.fit.squares + 3.84 * Math.max(final.fit.sigma, noise) ** 2;
  const inside = trials.filter(({ squares }) => squares <= limit).map(({ lag_s }) => lag_s);
  const low_s = Math.min(...inside) / Math.sqrt(ratio);
  const high_s = Math.max(...inside) * Math.sqrt(ratio);
  const value = final.instrument.lag_s;
  return {
    best: final,
    lag_s: { value, uncertainty: (high_s - low_s) / 4 },
    low_s,
    high_s,
    isOpen: high_s >= slowest_s,
  };
}

/** Fits a line that rings between 30 Hz and two fifths of the sampling rate, at most 600 Hz; null when nothing fits. */
export function fitLineRing(samples: Samples, search: ResponseSearch, step_s: number): ResponseFit | null {
  const least_Hz = 30;
  const most_Hz = Math.min(600, 0.4 / step_s);
  if (most_Hz < 1.3 * least_Hz) return null;
  const span = range(samples.time_s, search);
  const block_s = (search.to_s - search.from_s) / 120;
  const thin = span[1] - span[0] > 150 ? average(samples, search, block_s) : samples;
  let best: ResponseFit | null = null;
  const consider = (natural_Hz: number, damping_ratio: number, rounds: number) => {
    best = better(best, bestInstant(thin, search, { kind: 'line', natural_Hz, damping_ratio }, rounds));
  };
  for (let natural_Hz = least_Hz; natural_Hz <= most_Hz; natural_Hz *= 1.12) consider(natural_Hz, 0.08, 2);
  for (let size = 0.06; size > 0.004; size *= 0.6) {
    const now = best as ResponseFit | null;
    if (now === null || now.instrument.kind !== 'line') return null;
    const { natural_Hz, damping_ratio } = now.instrument;
    for (const f of [1 - size, 1 + size]) consider(natural_Hz * f, damping_ratio, 3);
    for (const d of [1 - 6 * size, 1 + 6 * size]) consider(natural_Hz, Math.min(0.7, damping_ratio * d), 3);
  }
  return best;
}
