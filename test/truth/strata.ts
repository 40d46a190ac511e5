/**
 * The targets of the intervals, cell by cell: metric x valve kind x rate. A cell's coverage is not below 92 % beyond chance
 * and not below 90 % at all; its width is measured against what is needed, so that one far miss counts.
 */
import { type MetricName, metricNames } from '../../daemon/analysis/metrics.ts';
import type { RigKind } from '../support/random-rig.ts';
import { kinds, softenedKinds } from './rig-in-error.ts';
import { type Judged, quantile } from './statistics.ts';
import type { TripRow } from './trip-rows.ts';

export const leastCoverage = 0.92;
export const floorCoverage = 0.9;
export const widestCell = 1.6;
export const widestPooled = 1.3;
export const mostUnknown = 0.1;
/** One-sided: a cell whose count inside is rarer than this at a true 92 % misses. */
const chance = 0.01;
/** Fewer of a figure say nothing; they are counted and named, never pooled. */
export const leastCount = 100;

export interface Cell {
  readonly metric: MetricName;
  readonly kind: RigKind | 'sharp' | 'softened';
  /** Null: pooled over the rates. */
  readonly rate_Hz: number | null;
  readonly count: number;
  readonly withheld: number;
  readonly coverage: number;
  /** 1 over the 95 % point of |error| over the half-width on its side: 1 is as narrow as can be honest. */
  readonly width: number;
  /** What it misses, in words; empty when it meets its targets. */
  readonly misses: readonly string[];
}

/** A cell that may be wider, and why. */
export interface Exception {
  readonly metric: MetricName;
  readonly kind?: RigKind | 'sharp' | 'softened';
  readonly rate_Hz?: number;
  readonly reason: string;
}

/** Cells wider than the target for a reason that lies in the metric, not in a guess. */
export const exceptions: readonly Exception[] = [];

export function exceptionOf(cell: Pick<Cell, 'metric' | 'kind' | 'rate_Hz'>): Exception | null {
  const fits = ({ metric, kind, rate_Hz }: Exception) =>
    metric === cell.metric &&
    (kind === undefined || kind === cell.kind || (kind === sideOf(cell.kind) && cell.kind !== kind)) &&
    (rate_Hz === undefined || cell.rate_Hz === null || rate_Hz === cell.rate_Hz);
  return exceptions.find(fits) ?? null;
}

/** P(X <= inside) for X binomial of `count` at `share`. */
export function binomialTail(inside: number, count: number, share: number): number {
  let logTerm = count * Math.log(1 - share);
  let sum = Math.exp(logTerm);
  for (let k = 1; k <= inside; k++) {
    logTerm += Math.log((count - k + 1) / k) + Math.log(share / (1 - share));
    sum += Math.exp(logTerm);
  }
  return Math.min(1, sum);
}

/** |error| over the half-width on its side; infinite where there is no width. */
export function overWidth({ error, low, high }: Judged): number {
  if (error === 0) return 0;
  return Math.abs(error) / Math.max(1e-12, error > 0 ? error - low : high - error);
}

function sideOf(kind: Cell['kind']): 'sharp' | 'softened' {
  if (kind === 'sharp' || kind === 'softened') return kind;
  return softenedKinds.has(kind) ? 'softened' : 'sharp';
}

/** One cell from its figures; a null figure was withheld. */
export function cellOf(
  place: Pick<Cell, 'metric' | 'kind' | 'rate_Hz'>,
  figures: readonly (Judged | null)[],
): Cell {
  const judged = figures.filter((figure) => figure !== null);
  const count = judged.length;
  const inside = judged.filter(({ low, high }) => low <= 0 && high >= 0).length;
  const coverage = inside / count;
  const ratios = judged.map(overWidth).sort((a, b) => a - b);
  const width = 1 / quantile(ratios, 0.95);
  const misses: string[] = [];
  if (count >= leastCount) {
    if (coverage < floorCoverage) misses.push(`inside ${(100 * coverage).toFixed(1)} % < 90 %`);
    else if (binomialTail(inside, count, leastCoverage) < chance)
      misses.push(`inside ${(100 * coverage).toFixed(1)} % below 92 % beyond chance`);
    const widest = place.rate_Hz === null ? widestPooled : widestCell;
    if (width > widest && exceptionOf(place) === null) misses.push(`width ${width.toFixed(2)} > ${widest}`);
  }
  return { ...place, count, withheld: figures.length - count, coverage, width, misses };
}

/** All cells, then the pooled ones over sharp and over softened closures. */
export function cellsOf(rows: readonly TripRow[], rates: readonly number[]): Cell[] {
  const cells: Cell[] = [];
  for (const metric of metricNames) {
    const figures = (some: readonly TripRow[]) =>
      some.flatMap((row) => {
        const figure = row.figures[metric];
        return figure === undefined ? [] : [figure];
      });
    for (const kind of kinds) {
      for (const rate_Hz of rates) {
        const here = figures(rows.filter((row) => row.kind === kind && row.rate_Hz === rate_Hz));
        if (here.length > 0) cells.push(cellOf({ metric, kind, rate_Hz }, here));
      }
    }
    for (const side of ['sharp', 'softened'] as const) {
      const here = figures(rows.filter((row) => softenedKinds.has(row.kind) === (side === 'softened')));
      if (here.length > 0) cells.push(cellOf({ metric, kind: side, rate_Hz: null }, here));
    }
  }
  return cells;
}

/** Shares of classes over the trips whose rate the rig is adequate for: 8 samples on the plateau. */
export interface ClassShares {
  readonly name: string;
  readonly trips: number;
  readonly unknown: number;
  readonly atLimit: number;
  readonly wrong: number;
  readonly farOff: number;
  readonly misses: readonly string[];
}

export function classShares(rows: readonly TripRow[]): ClassShares[] {
  const adequate = rows.filter((row) => row.trueSeverity !== null && row.perPlateau >= 8);
  const shares = (name: string, some: readonly TripRow[]): ClassShares => {
    const count = (test: (row: TripRow) => boolean) => some.filter(test).length;
    const unknown = count(({ severity }) => severity === 'unknown');
    const isTooMany = some.length >= leastCount && unknown > mostUnknown * some.length;
    const share = ((100 * unknown) / some.length).toFixed(1);
    return {
      name,
      trips: some.length,
      unknown,
      atLimit: count(({ severity }) => severity === 'at-limit'),
      wrong: count(({ isWrong }) => isWrong),
      farOff: count(({ isFarOff }) => isFarOff),
      misses: isTooMany ? [`unknown ${share} % > 10 %`] : [],
    };
  };
  return [
    shares('all', adequate),
    ...kinds.map((kind) =>
      shares(
        kind,
        adequate.filter((row) => row.kind === kind),
      ),
    ),
  ];
}
