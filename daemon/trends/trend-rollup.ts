/**
 * Rollups of a channel over equal stretches of UTC: 1 s, 1 min, 1 h. Pure. Rollups of the same stretch merge to what one
 * rollup of all its samples would be, in any order: a restart, a clock that was set back and data that came late change nothing.
 */
import { quality } from '../../drivers/driver.ts';
import type { Series } from '../analysis/record.ts';
import type { WallAnchor } from '../clock.ts';

/** Lengths of the stretches, in s, finest first. */
export const trendLevels_s = [1, 60, 3600] as const;
export type TrendLevel_s = (typeof trendLevels_s)[number];

/** What is left of the samples of one stretch; SI. With `count` 0 only `flags` says something, the numbers are NaN. */
export interface Rollup {
  /** Beginning, in s since 1970: a multiple of the level. */
  readonly start_s: number;
  readonly count: number;
  readonly min: number;
  readonly max: number;
  readonly mean: number;
  /** Sum of the squares of the deviations from the mean. */
  readonly squares: number;
  /** Bits of `quality` that any sample had. */
  readonly flags: number;
}

/** Standard deviation of the samples of a rollup (n - 1); 0 for a single one, NaN for none. */
export function deviationOf({ count, squares }: Rollup): number {
  if (count === 0) return Number.NaN;
  return count === 1 ? 0 : Math.sqrt(squares / (count - 1));
}

/** Both as one; `start_s` is that of the first. (Chan, Golub, LeVeque 1983, updating formulas for sums of squares; from memory.) */
export function merged(a: Rollup, b: Rollup): Rollup {
  const flags = a.flags | b.flags;
  if (b.count === 0) return { ...a, flags };
  if (a.count === 0) return { ...b, start_s: a.start_s, flags };
  const count = a.count + b.count;
  const apart = b.mean - a.mean;
  return {
    start_s: a.start_s,
    count,
    min: Math.min(a.min, b.min),
    max: Math.max(a.max, b.max),
    mean: a.mean + (apart * b.count) / count,
    squares: a.squares + b.squares + (apart * apart * a.count * b.count) / count,
    flags,
  };
}

/**
 * The samples of a series by stretches of `level_s`, in the order of the samples. A sample belongs to the stretch in which its
 * wall time by `anchor` lies. Invalid samples and those that are no numbers are left out of the numbers; their flag stays.
 */
export function rollUp(series: Series, anchor: WallAnchor, level_s: TrendLevel_s): Rollup[] {
  const { time_s, value, quality: bits } = series;
  const rollups: Rollup[] = [];
  const origin_s = anchor.wall_ms / 1000 - anchor.time_s;
  let from = 0;
  while (from < time_s.length) {
    const start_s = Math.floor((time_s[from]! + origin_s) / level_s) * level_s;
    let to = from + 1;
    while (to < time_s.length) {
      const wall_s = time_s[to]! + origin_s;
      if (wall_s < start_s || wall_s >= start_s + level_s) break;
      to++;
    }
    rollups.push(rollupOf(value, bits, from, to, start_s));
    from = to;
  }
  return rollups;
}

function rollupOf(value: Float64Array, bits: Uint8Array, from: number, to: number, start_s: number): Rollup {
  let count = 0;
  let min = Number.POSITIVE_INFINITY;
  let max = Number.NEGATIVE_INFINITY;
  let sum = 0;
  let flags = 0;
  for (let k = from; k < to; k++) {
    flags |= bits[k]!;
    const sample = value[k]!;
    if (!isCounted(sample, bits[k]!)) continue;
    count++;
    sum += sample;
    if (sample < min) min = sample;
    if (sample > max) max = sample;
  }
  if (count === 0) {
    return { start_s, count, min: Number.NaN, max: Number.NaN, mean: Number.NaN, squares: 0, flags };
  }
  const mean = sum / count;
  let squares = 0;
  for (let k = from; k < to; k++) {
    if (isCounted(value[k]!, bits[k]!)) squares += (value[k]! - mean) ** 2;
  }
  return { start_s, count, min, max, mean, squares, flags };
}

function isCounted(sample: number, bits: number): boolean {
  return Number.isFinite(sample) && (bits & quality.invalid) === 0;
}

/** Rollups of a coarser level, ascending; those of the same stretch are merged. */
export function coarser(rollups: readonly Rollup[], level_s: number): Rollup[] {
  const byStart = new Map<number, Rollup>();
  for (const rollup of rollups) {
    const start_s = Math.floor(rollup.start_s / level_s) * level_s;
    const before = byStart.get(start_s);
    byStart.set(start_s, before === undefined ? { ...rollup, start_s } : merged(before, rollup));
  }
  return [...byStart.values()].sort((a, b) => a.start_s - b.start_s);
}
