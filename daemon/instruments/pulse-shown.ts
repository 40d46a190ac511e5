/**
 * What sampling and a slow sensor leave of a pulse: reading over true peak, 0 to 1, for ideal pulse shapes. Derived in
 * closed form and checked by numbers; "worst" is over the phase of the sampling. A slam on a short leg is a ramp, not a
 * rectangle: its capture is in pressure-results.ts. All times in s and > 0, else RangeError; sensors are first order.
 */

function positive(...times_s: readonly number[]): void {
  for (const time_s of times_s) {
    if (!(time_s > 0 && time_s < Infinity)) throw new RangeError(`pulse: ${time_s} s found, > 0 allowed`);
  }
}

/** Probability that a sample falls into a rectangle of `width_s`, sampled every `interval_s`; 1 where none can miss. */
export function rectangleCaught_ratio(width_s: number, interval_s: number): number {
  positive(width_s, interval_s);
  return Math.min(1, width_s / interval_s);
}

/** A rectangle through a sensor of time constant `lag_s`: 1 - exp(-width / lag). */
export function rectangleLagged_ratio(width_s: number, lag_s: number): number {
  positive(width_s, lag_s);
  return -Math.expm1(-width_s / lag_s);
}

/** A rectangle through a sensor and then sampled, worst: the two samples beside the top of the response are equal. */
export function rectangleLaggedSampled_ratio(width_s: number, lag_s: number, interval_s: number): number {
  positive(width_s, lag_s, interval_s);
  const missing = Math.exp(-width_s / lag_s);
  return 1 - missing / (missing + (1 - missing) * Math.exp(-interval_s / lag_s));
}

/** A rectangle in a device that averages over `window_s`: width / window while it is the shorter. */
export function rectangleAveraged_ratio(width_s: number, window_s: number): number {
  positive(width_s, window_s);
  return Math.min(1, width_s / window_s);
}

/** A step that dies away with `decay_s`, sampled, worst: exp(-interval / decay). */
export function decaySampledWorst_ratio(decay_s: number, interval_s: number): number {
  positive(decay_s, interval_s);
  return Math.exp(-interval_s / decay_s);
}

/** The same, mean over the phase. */
export function decaySampledMean_ratio(decay_s: number, interval_s: number): number {
  positive(decay_s, interval_s);
  return (-decay_s / interval_s) * Math.expm1(-interval_s / decay_s);
}

/** The same through a sensor: r^(r / (1 - r)) with r = lag / decay; 1/e where both are equal. */
export function decayLagged_ratio(decay_s: number, lag_s: number): number {
  positive(decay_s, lag_s);
  const r = lag_s / decay_s;
  // ln r / (1 - r) by log1p, which has the limit -1 at r = 1.
  const rest = r - 1;
  return Math.exp(r * (Math.abs(rest) < 1e-12 ? -1 : -Math.log1p(rest) / rest));
}

/** A symmetric triangle on a base of `base_s`, sampled, worst: 1 - interval / base (0 where it can be missed). */
export function triangleSampledWorst_ratio(base_s: number, interval_s: number): number {
  positive(base_s, interval_s);
  return Math.max(0, 1 - interval_s / base_s);
}

/** The same, mean over the phase; base / (2 interval) where it can be missed. */
export function triangleSampledMean_ratio(base_s: number, interval_s: number): number {
  positive(base_s, interval_s);
  return interval_s <= base_s ? 1 - interval_s / (2 * base_s) : base_s / (2 * interval_s);
}

/** The same through a sensor: 1 - (2 lag / base) ln(2 - exp(-base / (2 lag))). */
export function triangleLagged_ratio(base_s: number, lag_s: number): number {
  positive(base_s, lag_s);
  return 1 - ((2 * lag_s) / base_s) * Math.log1p(-Math.expm1(-base_s / (2 * lag_s)));
}

/** A triangle in a device that averages over `window_s`, centred: 1 - window / (2 base); base / (2 window) beyond. */
export function triangleAveraged_ratio(base_s: number, window_s: number): number {
  return triangleSampledMean_ratio(base_s, window_s);
}

/** A sudden rise that falls in a straight line over `fall_s`, sampled, worst: 1 - interval / fall (0 if it can be missed). */
export function sawtoothSampledWorst_ratio(fall_s: number, interval_s: number): number {
  return triangleSampledWorst_ratio(fall_s, interval_s);
}

/** Time from 10 % to 90 % of a first-order sensor's step: lag * ln 9. */
export function riseTime_s(lag_s: number): number {
  positive(lag_s);
  return lag_s * Math.log(9);
}

/** Frequency at which a first-order sensor shows 0.707 of a sine: 1 / (2 pi lag). */
export function cornerFrequency_Hz(lag_s: number): number {
  positive(lag_s);
  return 1 / (2 * Math.PI * lag_s);
}

/** Largest time constant that reads a rectangle of `width_s` but for a share `missing_ratio` (0 < share < 1). */
export function lagAllowed_s(width_s: number, missing_ratio: number): number {
  positive(width_s);
  if (!(missing_ratio > 0 && missing_ratio < 1)) {
    throw new RangeError(`missing share: ${missing_ratio} found, 0 < share < 1 allowed`);
  }
  return -width_s / Math.log(missing_ratio);
}
