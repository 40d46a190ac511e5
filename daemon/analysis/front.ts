/**
 * The front at seating, seen through a sensor with first-order lag: before it the outlet pressure is a line (a sharp
 * closure) or a line plus a growing exponential (a softened one, already throttling); after it a line, the ramp of the
 * plateau. Fitted to the samples by least squares, it gives the seating instant between samples and the step itself.
 */
import { type ColumnFit, fitColumns } from './fit.ts';
import { range, type Samples } from './samples.ts';
import { coverage, together } from './uncertainty.ts';

/** What the fit may assume. Times in s. */
export interface FrontSetting {
  /** Where the detection saw the step cross its half. */
  readonly half_s: number;
  /** Response time of the sensor and the half-width of its 95 % interval. */
  readonly lag_s: number;
  readonly lagHalfWidth_s: number;
  readonly step_s: number;
  /** Windows before and after the front. */
  readonly before_s: number;
  readonly after_s: number;
  /** Whether the pressure already rises before the seat is touched. */
  readonly isSoftened: boolean;
}

/** The fitted front, at the tap. */
export interface Front {
  readonly at_s: number;
  readonly atUncertainty_s: number;
  /** Pressure just before and just after, in Pa, lag removed. */
  readonly before_Pa: number;
  readonly after_Pa: number;
  /** After minus before. */
  readonly step_Pa: number;
  readonly stepUncertainty_Pa: number;
  /** What the doubt about the sensor's lag adds to either, included in them. */
  readonly atByLag_s: number;
  readonly stepByLag_Pa: number;
  /** Slope of the ramp after the front, in Pa/s. */
  readonly ramp_Paps: number;
  readonly sigma_Pa: number;
  readonly from_s: number;
  readonly to_s: number;
}

/** Growth times of the exponential of a softened closure that are tried, in s. */
const growths_s = [0.0007, 0.0015, 0.003, 0.006, 0.012];

/** Fits the front; null when fewer than three samples lie on either side, or nothing fits. */
export function fitFront(samples: Samples, setting: FrontSetting): Front | null {
  const nominal = search(samples, setting, setting.lag_s);
  if (nominal === null) return null;
  const doubt_s = setting.lagHalfWidth_s / coverage;
  const slower = doubt_s > 0 ? search(samples, setting, setting.lag_s + doubt_s) : null;
  const byLag = (pick: (front: Front) => number) =>
    slower === null ? 0 : Math.abs(pick(slower) - pick(nominal));
  const atByLag_s = byLag((front) => front.at_s);
  const stepByLag_Pa = byLag((front) => front.step_Pa);
  return {
    ...nominal,
    atUncertainty_s: together(nominal.atUncertainty_s, atByLag_s),
    stepUncertainty_Pa: together(nominal.stepUncertainty_Pa, stepByLag_Pa),
    atByLag_s,
    stepByLag_Pa,
  };
}

interface Trial {
  readonly at_s: number;
  readonly fit: ColumnFit;
  readonly growth_s: number | null;
}

function search(samples: Samples, setting: FrontSetting, lag_s: number): Front | null {
  const from_s = setting.half_s - setting.before_s;
  const to_s = setting.half_s + setting.after_s;
  const [first, end] = range(samples.time_s, { from_s, to_s });
  const time_s = samples.time_s.subarray(first, end);
  const y = samples.value.subarray(first, end);
  const low_s = setting.half_s - 1.5 * setting.step_s - 2 * lag_s;
  const high_s = setting.half_s + 0.75 * setting.step_s;
  let count = 0;
  for (const t of time_s) if (t > high_s) count++;
  if (count < 3 || time_s.length - count < 3) return null;
  const growths = setting.isSoftened ? growths_s : [null];
  let best: Trial | null = null;
  let span = high_s - low_s;
  let middle = (low_s + high_s) / 2;
  // A grid, then the same grid twice over ever smaller spans: the misfit has small dents at the samples.
  for (let round = 0; round < 3; round++) {
    const points = round === 0 ? 32 : 12;
    for (let k = 0; k <= points; k++) {
      const at_s = middle + span * (k / points - 0.5);
      if (at_s < low_s || at_s > high_s) continue;
      for (const growth_s of growths) {
        if (round > 0 && best !== null && growth_s !== best.growth_s) continue;
        const trial = attempt(time_s, y, at_s, lag_s, growth_s);
        if (trial !== null && (best === null || trial.fit.squares < best.fit.squares)) best = trial;
      }
    }
    if (best === null) return null;
    middle = best.at_s;
    span /= 8;
  }
  return best === null ? null : toFront(time_s, y, best, lag_s, { low_s, high_s });
}

function attempt(
  time_s: Float64Array,
  y: Float64Array,
  at_s: number,
  lag_s: number,
  growth_s: number | null,
): Trial | null {
  const fit = fitColumns(columnsOf(time_s, at_s, lag_s, growth_s), y);
  return fit === null ? null : { at_s, fit, growth_s };
}

/**
 * Columns of the linear model for one instant: level and slope before, level and slope after, and the exponential.
 * A first-order sensor shows a line late by its lag, an exponential smaller by 1 + lag/growth, and closes every
 * difference left at the front with exp(-t/lag).
 */
function columnsOf(
  time_s: Float64Array,
  at_s: number,
  lag_s: number,
  growth_s: number | null,
): Float64Array[] {
  const n = time_s.length;
  const columns = Array.from({ length: growth_s === null ? 4 : 5 }, () => new Float64Array(n));
  const [level, slope, after, ramp, growing] = columns;
  const damped = growth_s === null ? 1 : 1 / (1 + lag_s / growth_s);
  for (let k = 0; k < n; k++) {
    const t = time_s[k] - at_s;
    if (t < 0) {
      level[k] = 1;
      slope[k] = t - lag_s;
      if (growth_s !== null) growing[k] = damped * Math.exp(t / growth_s);
    } else {
      const rest = lag_s > 1e-9 ? Math.exp(-t / lag_s) : 0;
      level[k] = rest;
      slope[k] = -lag_s * rest;
      after[k] = 1 - rest;
      ramp[k] = t - lag_s + lag_s * rest;
      if (growth_s !== null) growing[k] = damped * rest;
    }
  }
  return columns;
}

function toFront(
  time_s: Float64Array,
  y: Float64Array,
  best: Trial,
  lag_s: number,
  bounds: { readonly low_s: number; readonly high_s: number },
): Front {
  const { fit, at_s, growth_s } = best;
  const c = fit.coefficients;
  const p = c.length;
  const before_Pa = c[0] + (p > 4 ? c[4] : 0);
  const sigma_Pa = fit.sigma;
  const variance = (i: number, j: number) => fit.inverse[i * p + j];
  let spread = variance(2, 2) + variance(0, 0) - 2 * variance(0, 2);
  if (p > 4) spread += variance(4, 4) + 2 * variance(0, 4) - 2 * variance(2, 4);
  // How far the instant may move before the misfit grows by one variance; the step moves with it.
  const limit = fit.squares + Math.max(1e-12, sigma_Pa * sigma_Pa);
  let moved_s = 0;
  let stepMoved_Pa = 0;
  for (const direction of [-1, 1]) {
    for (
      let size_s = (bounds.high_s - bounds.low_s) / 256;
      size_s < bounds.high_s - bounds.low_s;
      size_s *= 1.5
    ) {
      const trial = attempt(time_s, y, at_s + direction * size_s, lag_s, growth_s);
      if (trial === null) break;
      const b = trial.fit.coefficients;
      // Beyond the limit the misfit is taken as a parabola and the move cut back to where it meets the limit.
      const beyond = trial.fit.squares - fit.squares;
      const part = beyond > limit - fit.squares ? Math.sqrt((limit - fit.squares) / beyond) : 1;
      moved_s = Math.max(moved_s, part * size_s);
      const moved_Pa = Math.abs(b[2] - b[0] - (p > 4 ? b[4] : 0) - (c[2] - before_Pa));
      stepMoved_Pa = Math.max(stepMoved_Pa, part * moved_Pa);
      if (trial.fit.squares > limit) break;
    }
  }
  return {
    at_s,
    atUncertainty_s: moved_s,
    before_Pa,
    after_Pa: c[2],
    step_Pa: c[2] - before_Pa,
    stepUncertainty_Pa: together(sigma_Pa * Math.sqrt(Math.max(0, spread)), stepMoved_Pa),
    atByLag_s: 0,
    stepByLag_Pa: 0,
    ramp_Paps: c[3],
    sigma_Pa,
    from_s: time_s[0],
    to_s: time_s[time_s.length - 1],
  };
}

/**
 * Time from 10 to 90 % of the rise at a closing, in s: from the lowest level in `before_s` before it to the level just
 * after the front. `top_Pa` is that level; after `after_s` it counts as reached. A sharp closure takes what sensor and sampling take; a softened one longer.
 */
export function riseTime_s(
  samples: Samples,
  half_s: number,
  before_s: number,
  after_s: number,
  top_Pa: number,
): number | null {
  const { time_s, value } = samples;
  const [first, end] = range(time_s, { from_s: half_s - before_s, to_s: half_s });
  if (end <= first) return null;
  let bottom_Pa = Number.POSITIVE_INFINITY;
  for (let k = first; k < end; k++) bottom_Pa = Math.min(bottom_Pa, value[k]);
  const rise_Pa = top_Pa - bottom_Pa;
  if (rise_Pa <= 0) return null;
  const low_Pa = bottom_Pa + 0.1 * rise_Pa;
  const high_Pa = bottom_Pa + 0.9 * rise_Pa;
  // Outwards from the half crossing: last time below 10 % before it, first time above 90 % after it.
  let k = end - 1;
  while (k > first && value[k] > low_Pa) k--;
  const start_s = crossing(samples, k, low_Pa);
  let j = end;
  while (j < value.length - 1 && value[j] < high_Pa && time_s[j] < half_s + after_s) j++;
  return Math.max(0, crossing(samples, j - 1, high_Pa) - start_s);
}

/** Where the line from sample k to k + 1 meets `level`, kept between the two. */
function crossing(samples: Samples, k: number, level: number): number {
  const { time_s, value } = samples;
  if (k < 0) return time_s[0];
  if (k + 1 >= value.length) return time_s[k];
  const rise = value[k + 1] - value[k];
  const share = rise === 0 ? 0 : Math.min(1, Math.max(0, (level - value[k]) / rise));
  return time_s[k] + share * (time_s[k + 1] - time_s[k]);
}
