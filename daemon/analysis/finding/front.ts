/**
 * The front at seating, seen through a sensor with first-order lag: before it the outlet pressure is a line (a sharp
 * closure) or a line plus a growing exponential (a softened one, already throttling); after it a line, the ramp of the
 * plateau. Fitted to the samples by least squares, it gives the seating instant between samples and the step itself.
 */
import { type ColumnFit, fitColumns } from '../../statistics/fit.ts';
import { range, type Samples } from '../../statistics/samples.ts';
import { coverage, type Estimate, together } from '../../statistics/uncertainty.ts';

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
  /** Growth times of the rise before the seat is touched that are tried, in s; empty: there is none. */
  readonly growths_s: readonly number[];
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
  /** How far the throttling had raised the pressure before the front; 0 without one. */
  readonly throttled_Pa: number;
  readonly stepUncertainty_Pa: number;
  /** Response time of the sensor as it was used. */
  readonly lag_s: number;
  /** What the doubt about the sensor's lag adds to either, included in them. */
  readonly atByLag_s: number;
  readonly stepByLag_Pa: number;
  /** Slope of the ramp after the front, in Pa/s. */
  readonly ramp_Paps: number;
  readonly sigma_Pa: number;
  /** Sum of the squares of what is left, over so many samples. */
  readonly squares_Pa2: number;
  readonly count: number;
  readonly from_s: number;
  readonly to_s: number;
}

/** Growth times of a softened closure, which throttles long before it seats, in s. */
export const softenedGrowths_s = [0.0007, 0.0015, 0.003, 0.006, 0.012];

/**
 * Growth times of the short throttling of a heavy disc just before it touches, in s. Faster ones would pass the doubt
 * about the sensor's lag off as throttling.
 */
export const throttlingGrowths_s = [0.0015, 0.003, 0.006];

/**
 * Fits the front; null when fewer than three samples lie on either side, or nothing fits. The sensor's lag is an unknown
 * with the configured one as its prior: a fast record shows the lag, a slow one leaves it where it was.
 */
export function fitFront(samples: Samples, setting: FrontSetting): Front | null {
  const look = windowOf(samples, setting);
  if (look === null) return null;
  const { lag_s, lagHalfWidth_s, growths_s } = setting;
  const growths = growths_s.length > 0 ? growths_s : [null];
  const first = search(look, lag_s, growths, {
    about_s: (look.low_s + look.high_s) / 2,
    span_s: look.high_s - look.low_s,
    points: 32,
  });
  if (first === null) return null;
  const span_s = (look.high_s - look.low_s) / 8;
  const at = (other_s: number) =>
    search(look, other_s, [first.growth_s], { about_s: first.at_s, span_s: 2 * span_s, points: 16 }) ?? first;
  const doubt_s = lagHalfWidth_s / coverage;
  if (doubt_s <= 0) return toFront(look, at(lag_s));
  const known = lagOf(lag_s, doubt_s, at);
  const nominal = toFront(look, at(known.value));
  const slower = toFront(look, at(known.value + known.uncertainty));
  const atByLag_s = Math.abs(slower.at_s - nominal.at_s);
  const stepByLag_Pa = Math.abs(slower.step_Pa - nominal.step_Pa);
  return {
    ...nominal,
    atUncertainty_s: together(nominal.atUncertainty_s, atByLag_s),
    stepUncertainty_Pa: together(nominal.stepUncertainty_Pa, stepByLag_Pa),
    atByLag_s,
    stepByLag_Pa,
  };
}

/** The lag that prior and samples agree on best, tried at seven places over +-2 standard uncertainties of the prior. */
function lagOf(lag_s: number, doubt_s: number, at: (lag_s: number) => Trial): Estimate {
  const places = [-2, -4 / 3, -2 / 3, 0, 2 / 3, 4 / 3, 2].filter((z) => lag_s + z * doubt_s >= 0.1 * lag_s);
  const squares = places.map((z) => at(lag_s + z * doubt_s).fit);
  const least = Math.min(...squares.map((fit) => fit.sigma ** 2));
  const costs = squares.map((fit, k) => fit.squares / Math.max(1e-12, least) + places[k] ** 2);
  let best = 0;
  for (let k = 1; k < costs.length; k++) if (costs[k] < costs[best]) best = k;
  const k = Math.min(costs.length - 2, Math.max(1, best));
  if (costs.length < 3) return { value: lag_s, uncertainty: doubt_s };
  // A parabola through three places: its vertex, and how far from there it rises by 1.
  const h = places[k + 1] - places[k];
  const bend = (costs[k + 1] - 2 * costs[k] + costs[k - 1]) / (h * h);
  if (bend <= 0) return { value: lag_s + places[best] * doubt_s, uncertainty: doubt_s };
  const vertex = places[k] - (costs[k + 1] - costs[k - 1]) / (2 * h * bend);
  const z = Math.min(places[places.length - 1], Math.max(places[0], vertex));
  return { value: lag_s + z * doubt_s, uncertainty: Math.min(1, Math.sqrt(2 / bend)) * doubt_s };
}

interface Trial {
  readonly at_s: number;
  readonly lag_s: number;
  readonly fit: ColumnFit;
  readonly growth_s: number | null;
}

/** The samples that are fitted, and the instants between which the front lies. */
interface Look {
  readonly time_s: Float64Array;
  readonly y: Float64Array;
  readonly low_s: number;
  readonly high_s: number;
}

function windowOf(samples: Samples, setting: FrontSetting): Look | null {
  const from_s = setting.half_s - setting.before_s;
  const to_s = setting.half_s + setting.after_s;
  const [first, end] = range(samples.time_s, { from_s, to_s });
  const time_s = samples.time_s.subarray(first, end);
  const y = samples.value.subarray(first, end);
  const low_s = setting.half_s - 1.5 * setting.step_s - 2 * setting.lag_s;
  const high_s = setting.half_s + 0.75 * setting.step_s;
  let count = 0;
  for (const t of time_s) if (t > high_s) count++;
  return count < 3 || time_s.length - count < 3 ? null : { time_s, y, low_s, high_s };
}

/** The first grid of instants. */
interface Grid {
  readonly about_s: number;
  readonly span_s: number;
  readonly points: number;
}

/** A grid of instants, then ever finer ones over smaller spans: the misfit has small dents at the samples. */
function search(look: Look, lag_s: number, growths: readonly (number | null)[], grid: Grid): Trial | null {
  let best: Trial | null = null;
  let span = grid.span_s;
  let middle = grid.about_s;
  for (let round = 0; round < 3; round++) {
    const points = round === 0 ? grid.points : 12;
    for (let k = 0; k <= points; k++) {
      const at_s = middle + span * (k / points - 0.5);
      if (at_s < look.low_s || at_s > look.high_s) continue;
      for (const growth_s of growths) {
        if (round > 0 && best !== null && growth_s !== best.growth_s) continue;
        const trial = attempt(look.time_s, look.y, at_s, lag_s, growth_s);
        if (trial !== null && (best === null || trial.fit.squares < best.fit.squares)) best = trial;
      }
    }
    if (best === null) return null;
    middle = best.at_s;
    span /= 8;
  }
  return best;
}

function attempt(
  time_s: Float64Array,
  y: Float64Array,
  at_s: number,
  lag_s: number,
  growth_s: number | null,
): Trial | null {
  const fit = fitColumns(columnsOf(time_s, at_s, lag_s, growth_s), y);
  return fit === null ? null : { at_s, lag_s, fit, growth_s };
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

function toFront(look: Look, best: Trial): Front {
  const { fit, at_s, lag_s, growth_s } = best;
  const { time_s, y } = look;
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
    for (let size_s = (look.high_s - look.low_s) / 256; size_s < look.high_s - look.low_s; size_s *= 1.5) {
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
    lag_s,
    atUncertainty_s: moved_s,
    before_Pa,
    after_Pa: c[2],
    step_Pa: c[2] - before_Pa,
    throttled_Pa: Math.max(0, before_Pa - c[0]),
    stepUncertainty_Pa: together(sigma_Pa * Math.sqrt(Math.max(0, spread)), stepMoved_Pa),
    atByLag_s: 0,
    stepByLag_Pa: 0,
    ramp_Paps: c[3],
    sigma_Pa,
    squares_Pa2: fit.squares,
    count: fit.n,
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
