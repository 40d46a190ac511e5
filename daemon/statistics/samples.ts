/** One channel as two arrays, and the small questions the analysis asks of them. Times in s, ascending. */

/** `time_s` and `value` have the same length. */
export interface Samples {
  readonly time_s: Float64Array;
  readonly value: Float64Array;
}

/** A window of time, both ends in s. */
export interface Span {
  readonly from_s: number;
  readonly to_s: number;
}

/** Index of the first element >= `at_s`; the length when there is none. */
export function indexAt(time_s: Float64Array, at_s: number): number {
  let low = 0;
  let high = time_s.length;
  while (low < high) {
    const middle = (low + high) >>> 1;
    if (time_s[middle] < at_s) low = middle + 1;
    else high = middle;
  }
  return low;
}

/** Half-open index range of the samples inside a closed window. */
export function range(time_s: Float64Array, span: Span): readonly [number, number] {
  const first = indexAt(time_s, span.from_s);
  let end = indexAt(time_s, span.to_s);
  if (end < time_s.length && time_s[end] === span.to_s) end++;
  return [first, Math.max(first, end)];
}

/** Mean of `value[first..end)`; null when empty. */
export function mean(value: Float64Array, first: number, end: number): number | null {
  if (end <= first) return null;
  let sum = 0;
  for (let k = first; k < end; k++) sum += value[k];
  return sum / (end - first);
}

/** Mean over a closed window of time; null when no sample lies in it. */
export function meanOver(samples: Samples, span: Span): number | null {
  const [first, end] = range(samples.time_s, span);
  return mean(samples.value, first, end);
}

/** Median of `value[first..end)`; null when empty, NaN counts as largest. Copies the range. */
export function median(value: Float64Array, first: number, end: number): number | null {
  if (end <= first) return null;
  const copy = value.slice(first, end);
  const half = copy.length >> 1;
  const upper = select(copy, half);
  if (copy.length % 2 === 1) return upper;
  // `select` has put the smaller half to the left.
  return (copy[indexOfLargest(copy, 0, half)] + upper) / 2;
}

/**
 * The element that would stand at index `k` if `value` were sorted: selection by parting (Hoare's FIND, Communications of the
 * ACM 4, 1961, algorithm 65). Reorders in place, none larger to its left and none smaller to its right. A sort of the whole
 * took a twelfth of the time of an analysis. NaN cannot be parted, so values with one are sorted.
 */
function select(value: Float64Array, k: number): number {
  for (const x of value) if (Number.isNaN(x)) return value.sort()[k];
  let left = 0;
  let right = value.length - 1;
  while (left < right) {
    const pivot = value[k];
    let i = left;
    let j = right;
    while (i <= j) {
      while (value[i] < pivot) i++;
      while (pivot < value[j]) j--;
      if (i > j) break;
      const swapped = value[i];
      value[i] = value[j];
      value[j] = swapped;
      i++;
      j--;
    }
    if (j < k) left = i;
    if (k < i) right = j;
  }
  return value[k];
}

/** Value at an instant by straight lines between samples; the nearest end outside. Null when there is no sample. */
export function valueAt(samples: Samples, at_s: number): number | null {
  const { time_s, value } = samples;
  const n = time_s.length;
  if (n === 0) return null;
  const k = indexAt(time_s, at_s);
  if (k === 0) return value[0];
  if (k === n) return value[n - 1];
  const share = (at_s - time_s[k - 1]) / (time_s[k] - time_s[k - 1]);
  return value[k - 1] + share * (value[k] - value[k - 1]);
}

/** The samples put on another axis of ascending times, by straight lines; the nearest end outside. */
export function onto(samples: Samples, time_s: Float64Array): Float64Array {
  const from = samples.time_s;
  const value = samples.value;
  const out = new Float64Array(time_s.length);
  const last = from.length - 1;
  let k = 0;
  for (let i = 0; i < time_s.length; i++) {
    const at = time_s[i];
    while (k < last && from[k + 1] <= at) k++;
    if (k >= last || at <= from[k]) out[i] = value[k];
    else out[i] = value[k] + ((at - from[k]) / (from[k + 1] - from[k])) * (value[k + 1] - value[k]);
  }
  return out;
}

/** Index of the largest element of `value[first..end)`; -1 when empty. */
export function indexOfLargest(value: Float64Array, first: number, end: number): number {
  let best = -1;
  for (let k = first; k < end; k++) if (best < 0 || value[k] > value[best]) best = k;
  return best;
}

/** Index of the smallest element of `value[first..end)`; -1 when empty. */
export function indexOfSmallest(value: Float64Array, first: number, end: number): number {
  let best = -1;
  for (let k = first; k < end; k++) if (best < 0 || value[k] < value[best]) best = k;
  return best;
}

/** Usual spacing of the samples in s: the median of the differences. Null with fewer than two samples. */
export function spacing_s(time_s: Float64Array): number | null {
  if (time_s.length < 2) return null;
  const step = Math.max(1, Math.floor((time_s.length - 1) / 500));
  const differences: number[] = [];
  for (let k = 1; k < time_s.length; k += step) differences.push(time_s[k] - time_s[k - 1]);
  return median(Float64Array.from(differences), 0, differences.length);
}
