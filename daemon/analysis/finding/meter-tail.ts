/**
 * What a flow meter shows of itself in one trip. Once the valve is shut the water rests and a first-order meter decays
 * to its zero: the time constant is its lag, whatever the flow was before. With that lag the velocity from the impulse
 * foretells the meter's reading during the trip; how late the reading comes beyond it is its dead time.
 */
import { fitColumns } from '../../statistics/fit.ts';
import { range, type Samples, valueAt } from '../../statistics/samples.ts';
import { type Estimate, together, weighted } from '../../statistics/uncertainty.ts';
import type { Channel } from '../reading/leg-signals.ts';
import { configuredMeter, type MeterKnowledge } from './levels.ts';
import { average } from './ring.ts';

/** The decay after seating. */
export interface MeterTail {
  readonly lag_s: Estimate;
  /** Reading at rest, in m/s. */
  readonly zero_mps: Estimate;
}

/** Lags tried, over the configured one. */
const least_ratio = 0.25;
const most_ratio = 4;

/** Where the fit may begin, in s after seating: a cushion lets some water through after the first touch. */
const starts_s = [0.03, 0.25, 0.5];

/**
 * Fits zero + A exp(-t / lag) to the meter after seating, over at most 2.5 s. Null when its samples do not resolve the
 * lag, little is left of the flow, or the reading is no such decay within its noise (a valve that opens again).
 */
export function meterTail(meter: Channel, seat_s: number, isSharp: boolean): MeterTail | null {
  for (const start_s of starts_s) {
    const tail = fitTail(meter, seat_s + start_s) ?? slowTail(meter, seat_s + start_s);
    if (tail === null) continue;
    if (isSharp) return tail;
    // What a softened closure lets through after the first touch hides in the noise: up to 14 % of the lag were seen.
    return {
      lag_s: {
        value: tail.lag_s.value,
        uncertainty: together(tail.lag_s.uncertainty, 0.08 * tail.lag_s.value),
      },
      zero_mps: { value: tail.zero_mps.value, uncertainty: together(tail.zero_mps.uncertainty, 0.002) },
    };
  }
  return null;
}

function fitTail(meter: Channel, from_s: number): MeterTail | null {
  const configured_s = meter.series.channel.responseTime_s;
  const { time_s } = meter.samples;
  const to_s = Math.min(time_s[time_s.length - 1], from_s + 2.5);
  if (configured_s < 4 * meter.step_s || to_s - from_s < 2.5 * configured_s) return null;
  const block_s = Math.max(meter.step_s, 0.02 * configured_s);
  const tail = average(meter.samples, { from_s, to_s }, block_s);
  const n = tail.time_s.length;
  if (n < 20) return null;
  const one = new Float64Array(n).fill(1);
  const decay = new Float64Array(n);
  const attempt = (lag_s: number) => {
    for (let k = 0; k < n; k++) decay[k] = Math.exp(-(tail.time_s[k] - from_s) / lag_s);
    return fitColumns([one, decay], tail.value);
  };
  let best_s = configured_s;
  let least = Number.POSITIVE_INFINITY;
  const consider = (lag_s: number) => {
    const squares = attempt(lag_s)?.squares ?? Number.POSITIVE_INFINITY;
    if (squares < least) {
      least = squares;
      best_s = lag_s;
    }
  };
  const steps = 32;
  for (let k = 0; k <= steps; k++)
    consider(configured_s * least_ratio * (most_ratio / least_ratio) ** (k / steps));
  for (let size = 0.05; size > 5e-4; size *= 0.6) {
    const middle_s = best_s;
    consider(middle_s * (1 + size));
    consider(middle_s * (1 - size));
  }
  const fit = attempt(best_s);
  if (fit === null || best_s > (to_s - from_s) / 2.5) return null;
  const [zero, height] = fit.coefficients;
  const noise_mps = meter.sigma * Math.sqrt(meter.step_s / block_s);
  if (Math.abs(height) < Math.max(0.15, 8 * fit.sigma) || fit.sigma > 1.6 * noise_mps + 0.002) return null;
  const h = 0.02;
  const curvature =
    ((attempt(best_s * (1 + h))?.squares ?? least) +
      (attempt(best_s * (1 - h))?.squares ?? least) -
      2 * least) /
    (h * h);
  const relative = curvature > 0 ? fit.sigma * Math.sqrt(2 / curvature) : 1;
  return {
    lag_s: { value: best_s, uncertainty: best_s * together(relative, 0.01) },
    zero_mps: { value: zero, uncertainty: together(fit.sigma * Math.sqrt(fit.inverse[0]), 0.001) },
  };
}

/** Slowest meter tried: damped to several seconds (common practice, no source). */
const slowest_s = 8;

/**
 * A meter so slow that the record ends before it rests: its zero is taken as calibrated, and A exp(-t / lag) fitted with lags from the
 * configured one on. Null where that does not explain the reading, or the lag is not longer than configured.
 */
function slowTail(meter: Channel, from_s: number): MeterTail | null {
  const { responseTime_s, uncertainty } = meter.series.channel;
  const { time_s } = meter.samples;
  const to_s = time_s[time_s.length - 1];
  const tail = average(meter.samples, { from_s, to_s }, Math.max(meter.step_s, (to_s - from_s) / 200));
  const n = tail.time_s.length;
  const least_s = Math.max(responseTime_s, 0.1);
  if (n < 20 || to_s - from_s < 0.6) return null;
  const decay = new Float64Array(n);
  const attempt = (lag_s: number, zero_mps: number) => {
    for (let k = 0; k < n; k++) decay[k] = Math.exp(-(tail.time_s[k] - from_s) / lag_s);
    return fitColumns(
      [decay],
      tail.value.map((value) => value - zero_mps),
    );
  };
  const best = (zero_mps: number) => {
    let best_s = least_s;
    let squares = Number.POSITIVE_INFINITY;
    for (let lag_s = least_s; lag_s < slowest_s; lag_s *= 1.02) {
      const fit = attempt(lag_s, zero_mps);
      if (fit !== null && fit.squares < squares) [best_s, squares] = [lag_s, fit.squares];
    }
    return best_s;
  };
  const lag_s = best(0);
  const fit = attempt(lag_s, 0);
  if (fit === null || lag_s < 1.2 * least_s || lag_s > slowest_s / 1.1) return null;
  const [height] = fit.coefficients;
  const block = Math.sqrt(Math.max(1, (to_s - from_s) / 200 / meter.step_s));
  if (Math.abs(height) < Math.max(0.15, 8 * fit.sigma)) return null;
  if (fit.sigma > (2 * meter.sigma) / block + 0.01 * Math.abs(height)) return null;
  const zero = Math.max(uncertainty.absolute, 0.003);
  const byZero_s = Math.abs(best(zero) - best(-zero)) / 2;
  return {
    lag_s: { value: lag_s, uncertainty: together(byZero_s, 0.02 * lag_s) },
    zero_mps: { value: 0, uncertainty: zero },
  };
}

/**
 * Meter as configured and as seen together. The lag is the weighted mean while both agree, else the one seen; the zero
 * is the one seen unless it is far beyond the calibration: then the valve may leak, and it stays with its doubt.
 */
export function knownMeter(meter: Channel, tail: MeterTail | null): MeterKnowledge {
  const configured = configuredMeter(meter);
  if (tail === null) return configured;
  const { absolute } = meter.series.channel.uncertainty;
  const apart_s = Math.abs(tail.lag_s.value - configured.lag_s.value);
  const doubt_s = together(tail.lag_s.uncertainty, configured.lag_s.uncertainty);
  const lag_s = apart_s < 3 * doubt_s ? weighted([tail.lag_s, configured.lag_s]) : tail.lag_s;
  const zero = tail.zero_mps.value;
  const isZero = Math.abs(zero) < 4 * absolute + 0.02;
  return {
    lag_s,
    zero_mps: isZero
      ? { value: zero, uncertainty: together(tail.zero_mps.uncertainty, 0.2 * absolute) }
      : { value: 0, uncertainty: together(absolute, 0.3 * zero) },
  };
}

/** Dead times tried, in s. */
const deadFrom_s = -0.03;
const deadTo_s = 0.05;

/**
 * How much later than velocity and lag say the meter shows the trip, in s; null when too little is recorded. `velocity`
 * is the flow at the meter from the trip to the seating; before, it is taken to run on along `slope_mps2`, after, to rest.
 */
export function meterDeadTime_s(
  meter: Channel,
  tail: MeterTail,
  velocity: Samples,
  window: { readonly trip_s: number; readonly seat_s: number; readonly slope_mps2: number },
): number | null {
  const { trip_s, seat_s, slope_mps2 } = window;
  const step_s = Math.max(meter.step_s, 0.004);
  const seen = average(meter.samples, { from_s: trip_s - 0.1, to_s: seat_s + 0.1 }, step_s);
  const [first, end] = range(velocity.time_s, { from_s: trip_s, to_s: seat_s });
  if (seen.time_s.length < 12 || end - first < 4) return null;
  const start = velocity.value[first];
  const flow = (at_s: number) =>
    at_s < trip_s
      ? start + slope_mps2 * (at_s - trip_s)
      : at_s > seat_s
        ? 0
        : (valueAt(velocity, at_s) ?? start);
  const fine_s = 0.002;
  const lag_s = tail.lag_s.value;
  const from_s = trip_s - 0.1 - deadTo_s;
  const count = Math.ceil((seat_s + 0.1 - deadFrom_s - from_s) / fine_s) + 1;
  const foretold = new Float64Array(count);
  const time_s = new Float64Array(count);
  const keep = Math.exp(-fine_s / lag_s);
  // A lag shows a steady ramp late by its time constant.
  let now = flow(from_s - lag_s);
  for (let k = 0; k < count; k++) {
    time_s[k] = from_s + k * fine_s;
    if (k > 0) now = keep * now + (1 - keep) * flow(time_s[k] - fine_s / 2);
    foretold[k] = now + tail.zero_mps.value;
  }
  const shown = { time_s, value: foretold };
  let best_s: number | null = null;
  let least = Number.POSITIVE_INFINITY;
  for (let dead_s = deadFrom_s; dead_s <= deadTo_s; dead_s += 0.001) {
    let squares = 0;
    for (let k = 0; k < seen.time_s.length; k++) {
      const value = valueAt(shown, seen.time_s[k] - dead_s);
      if (value !== null) squares += (value - seen.value[k]) ** 2;
    }
    if (squares < least) {
      least = squares;
      best_s = dead_s;
    }
  }
  return best_s;
}
