/** Trends by looking at every sample by itself, to hold the real ones against. */
import { expect } from 'vitest';
import type { Series } from '../../daemon/analysis/record.ts';
import type { WallAnchor } from '../../daemon/clock.ts';
import { deviationOf, type Rollup, type TrendLevel_s } from '../../daemon/trends/trend-rollup.ts';

/** Samples and the anchor of the wall clock that held for them. */
export interface Laid {
  readonly series: Series;
  readonly anchor: WallAnchor;
}

/** Every sample looked at by itself. */
function bruteForce(laid: readonly Laid[], level_s: TrendLevel_s) {
  const bins = new Map<number, { values: number[]; flags: number }>();
  for (const { series, anchor } of laid) {
    series.time_s.forEach((time_s, k) => {
      const wall_s = time_s + (anchor.wall_ms / 1000 - anchor.time_s);
      const start_s = Math.floor(wall_s / level_s) * level_s;
      const bin = bins.get(start_s) ?? { values: [], flags: 0 };
      bins.set(start_s, bin);
      bin.flags |= series.quality[k]!;
      if (Number.isFinite(series.value[k]) && (series.quality[k]! & 4) === 0)
        bin.values.push(series.value[k]!);
    });
  }
  return [...bins].sort(([a], [b]) => a - b);
}

/** Counts and flags equal, numbers within `digits` of the largest sample. */
export function expectTrend(
  found: readonly Rollup[],
  laid: readonly Laid[],
  level_s: TrendLevel_s,
  digits: number,
) {
  const wanted = bruteForce(laid, level_s);
  expect(found.map(({ start_s }) => start_s)).toEqual(wanted.map(([start_s]) => start_s));
  const near = (a: number, b: number, size: number) =>
    expect(Math.abs(a - b)).toBeLessThanOrEqual(digits * size + 1e-12);
  found.forEach((rollup, at) => {
    const [, { values, flags }] = wanted[at]!;
    expect([rollup.count, rollup.flags]).toEqual([values.length, flags]);
    if (values.length === 0) return;
    const mean = values.reduce((sum, value) => sum + value, 0) / values.length;
    const size = Math.max(...values.map(Math.abs));
    near(rollup.min, Math.min(...values), size);
    near(rollup.max, Math.max(...values), size);
    near(rollup.mean, mean, size);
    const squares = values.reduce((sum, value) => sum + (value - mean) ** 2, 0);
    near(deviationOf(rollup), values.length === 1 ? 0 : Math.sqrt(squares / (values.length - 1)), size);
  });
}
