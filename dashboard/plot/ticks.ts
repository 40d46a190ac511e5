/** Round numbers for an axis: about `count` of them inside and just outside [low, high], ascending. */
export function niceTicks(low: number, high: number, count: number): number[] {
  if (!(high >= low)) return [];
  const span = high - low || Math.abs(high) || 1;
  const raw = span / count;
  const decade = 10 ** Math.floor(Math.log10(raw));
  const step = decade * ([1, 2, 5, 10].find((each) => each * decade >= raw) ?? 10);
  const ticks: number[] = [];
  for (let k = Math.floor(low / step); k * step <= high + step * 0.999; k++) ticks.push(k * step);
  return ticks;
}
