/** Minimum and maximum of a series over equal slices of time: what a picture needs. Pure. */
import type { Series } from '../analysis/record.ts';

export interface Sliced {
  readonly time_s: number[];
  /** Null, together with `max`, where samples are missing: a line is broken there. */
  readonly min: (number | null)[];
  readonly max: (number | null)[];
}

/** Samples so many typical spacings apart have missing ones between them; a poll that came a slot late leaves less. */
const gapSpacings = 2.5;
/** Spacings looked at to find the typical one. */
const spacingsSampled = 201;

/**
 * At most `points` slices between `from_s` and `to_s` on the record's clock; a slice's time is its middle. Where a slice
 * holds no sample it is left out; where there are no more samples than slices they come as they are. One more point, of nulls,
 * stands in each gap.
 */
export function sliceSeries(series: Series, from_s: number, to_s: number, points: number): Sliced {
  const { time_s, value } = series;
  const first = firstAtOrAfter(time_s, from_s);
  const end = firstAfter(time_s, to_s);
  const gap_s = gapOf_s(time_s, first, end);
  const sliced: Sliced = { time_s: [], min: [], max: [] };
  if (end - first <= points) {
    for (let i = first; i < end; i++) {
      if (i > first && time_s[i] - time_s[i - 1] > gap_s)
        push(sliced, (time_s[i] + time_s[i - 1]) / 2, null, null);
      push(sliced, time_s[i], value[i], value[i]);
    }
    return sliced;
  }
  const width_s = (to_s - from_s) / points;
  let i = first;
  for (let slice = 0; slice < points; slice++) {
    const limit_s = slice === points - 1 ? Number.POSITIVE_INFINITY : from_s + (slice + 1) * width_s;
    const middle_s = from_s + (slice + 0.5) * width_s;
    let min = Number.POSITIVE_INFINITY;
    let max = Number.NEGATIVE_INFINITY;
    for (; i < end && time_s[i] < limit_s; i++) {
      if (value[i] < min) min = value[i];
      if (value[i] > max) max = value[i];
    }
    if (min <= max) push(sliced, middle_s, min, max);
    else if (isInGap(time_s, first, i, end, gap_s) && sliced.min.at(-1) !== null)
      push(sliced, middle_s, null, null);
  }
  return sliced;
}

/** Min/max pairs for exactly `slices` slices. An empty slice repeats its neighbour, or holds nulls in a gap. Null when there is no sample. */
export function shapeOf(
  series: Series,
  from_s: number,
  to_s: number,
  slices: number,
): (number | null)[] | null {
  const { time_s, value } = series;
  const gap_s = gapOf_s(time_s, firstAtOrAfter(time_s, from_s), firstAfter(time_s, to_s));
  const pairs: (number | null)[] = [];
  let held: [number, number] | null = null;
  for (let slice = 0; slice < slices; slice++) {
    const begin_s = from_s + (slice * (to_s - from_s)) / slices;
    const begin = firstAtOrAfter(time_s, begin_s);
    const end = firstAtOrAfter(time_s, from_s + ((slice + 1) * (to_s - from_s)) / slices);
    let min = Number.POSITIVE_INFINITY;
    let max = Number.NEGATIVE_INFINITY;
    for (let i = begin; i < end; i++) {
      if (value[i] < min) min = value[i];
      if (value[i] > max) max = value[i];
    }
    if (min <= max) held = [min, max];
    const isMissing = min > max && !isNear(time_s, begin, begin_s, gap_s);
    if (held === null || isMissing) pairs.push(null, null);
    else pairs.push(held[0], held[1]);
  }
  return held === null ? null : pairs;
}

function push(into: Sliced, at_s: number, min: number | null, max: number | null): void {
  into.time_s.push(at_s);
  into.min.push(min);
  into.max.push(max);
}

/** Spacing beyond which samples are missing, in s: the median of spacings taken evenly from samples `first` to `end`. */
function gapOf_s(time_s: Float64Array, first: number, end: number): number {
  const count = Math.min(spacingsSampled, end - first - 1);
  if (count < 1) return Number.POSITIVE_INFINITY;
  const spacings = new Float64Array(count);
  for (let k = 0; k < count; k++) {
    const i = first + 1 + Math.floor((k * (end - first - 1)) / count);
    spacings[k] = time_s[i] - time_s[i - 1];
  }
  return gapSpacings * spacings.sort()[count >> 1];
}

/** Whether the samples before and at `next` have a gap between them; there is none before the first and after the last. */
function isInGap(time_s: Float64Array, first: number, next: number, end: number, gap_s: number): boolean {
  return next > first && next < end && time_s[next] - time_s[next - 1] > gap_s;
}

/** Whether an instant lies no further than a gap from the sample before it, or between two of them; `next` is the first one after. */
function isNear(time_s: Float64Array, next: number, at_s: number, gap_s: number): boolean {
  if (next === 0) return false;
  if (next < time_s.length) return time_s[next] - time_s[next - 1] <= gap_s;
  return at_s - time_s[next - 1] <= gap_s;
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
