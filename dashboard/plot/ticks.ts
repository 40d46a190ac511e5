/**
 * Round numbers for an axis, ascending: steps of 1, 2 or 5 times a power of ten, about `count` of them, from the last at or below
 * `low` to the first at or above `high`. A smaller span than `least` gets the steps of that.
 */
export function niceTicks(low: number, high: number, count: number, least: number): number[] {
  const rough = Math.max(high - low, least) / count;
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = power * (rough / power > 5 ? 10 : rough / power > 2 ? 5 : rough / power > 1 ? 2 : 1);
  const first = Math.floor(low / step);
  const last = Math.ceil(high / step);
  return Array.from({ length: last - first + 1 }, (_, k) => (first + k) * step);
}
