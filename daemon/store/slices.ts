/** Minimum and maximum of a series over equal slices of time: what a picture needs. Pure. */
import type { Series } from '../analysis/record.ts';

export interface Sliced {
  readonly time_s: number[];
  readonly min: number[];
  readonly max: number[];
}

/**
 * At most `points` slices between `from_s` and `to_s` on the record's clock; a slice's time is its middle. Where a slice
 * holds no sample it is left out; where there are no more samples than slices they come as they are.
 */
export function sliceSeries(series: Series, from_s: number, to_s: number, points: number): Sliced {
  const { time_s, value } = series;
  const first = firstAtOrAfter(time_s, from_s);
  const end = firstAfter(time_s, to_s);
  const sliced: Sliced = { time_s: [], min: [], max: [] };
  if (end - first <= points) {
    for (let i = first; i < end; i++) {
      sliced.time_s.push(time_s[i]);
      sliced.min.push(value[i]);
      sliced.max.push(value[i]);
    }
    return sliced;
  }
  const width_s = (to_s - from_s) / points;
  let i = first;
  for (let slice = 0; slice < points; slice++) {
    const limit_s = slice === points - 1 ? Number.POSITIVE_INFINITY : from_s + (slice + 1) * width_s;
    let min = Number.POSITIVE_INFINITY;
    let max = Number.NEGATIVE_INFINITY;
    for (; i < end && time_s[i] < limit_s; i++) {
      if (value[i] < min) min = value[i];
      if (value[i] > max) max = value[i];
    }
    if (min > max) continue;
    sliced.time_s.push(from_s + (slice + 0.5) * width_s);
    sliced.min.push(min);
    sliced.max.push(max);
  }
  return sliced;
}

/** Min/max pairs for exactly `slices` slices; an empty slice repeats its neighbour. Null when there is no sample. */
export function shapeOf(series: Series, from_s: number, to_s: number, slices: number): number[] | null {
  const { time_s, value } = series;
  const pairs: number[] = [];
  let missing = 0;
  for (let slice = 0; slice < slices; slice++) {
    const begin = firstAtOrAfter(time_s, from_s + (slice * (to_s - from_s)) / slices);
    const end = firstAtOrAfter(time_s, from_s + ((slice + 1) * (to_s - from_s)) / slices);
    let min = Number.POSITIVE_INFINITY;
    let max = Number.NEGATIVE_INFINITY;
    for (let i = begin; i < end; i++) {
      if (value[i] < min) min = value[i];
      if (value[i] > max) max = value[i];
    }
    if (min <= max) {
      if (pairs.length === 0) for (; missing > 0; missing--) pairs.push(min, max);
      pairs.push(min, max);
    } else if (pairs.length > 0) {
      pairs.push(pairs[pairs.length - 2], pairs[pairs.length - 1]);
    } else {
      missing++;
    }
  }
  return pairs.length === 0 ? null : pairs;
}

function firstAtOrAfter(time_s: Float64Array, limit_s: number): number {
  let low = 0;
  let high = time_s.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (time_s[middle] < limit_s) low = middle + 1;
    else high = middle;
  }
  return low;
}

function firstAfter(time_s: Float64Array, limit_s: number): number {
  let at = firstAtOrAfter(time_s, limit_s);
  while (at < time_s.length && time_s[at] <= limit_s) at++;
  return at;
}
