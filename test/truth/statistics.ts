/** What is said of one figure over many trips, from errors and intervals alone. */
import type { Random } from '../support/random-rig.ts';

/** One figure of one trip against its truth; all in the unit it is printed in (relative figures in %). */
export interface Judged {
  readonly error: number;
  /** Ends of the interval, less the truth. */
  readonly low: number;
  readonly high: number;
}

/** Statistics of one figure; errors signed as measured less true. NaN where there is nothing to count. */
export interface Summary {
  readonly count: number;
  readonly withheld_ratio: number;
  readonly median: number;
  readonly ninety: number;
  /** Median of the signed errors. */
  readonly bias: number;
  readonly coverage_ratio: number;
  /** Mean width of the intervals over twice the 95 % point of |error|: 1 is as narrow as can be honest. */
  readonly width_ratio: number;
}

/** Quantile of ascending numbers by straight lines between ranks (definition 7 of Hyndman and Fan 1996, from memory). */
export function quantile(ascending: readonly number[] | Float64Array, share: number): number {
  if (ascending.length === 0) return Number.NaN;
  const place = share * (ascending.length - 1);
  const below = Math.floor(place);
  const above = Math.min(ascending.length - 1, below + 1);
  return ascending[below] + (place - below) * (ascending[above] - ascending[below]);
}

/** Summarises one figure. */
export function summarise(judged: readonly Judged[], withheld: number): Summary {
  const sizes = judged.map(({ error }) => Math.abs(error)).sort((a, b) => a - b);
  const signed = judged.map(({ error }) => error).sort((a, b) => a - b);
  let inside = 0;
  let width = 0;
  for (const { low, high } of judged) {
    if (low <= 0 && high >= 0) inside++;
    width += high - low;
  }
  const count = judged.length;
  return {
    count,
    withheld_ratio: withheld / Math.max(1, count + withheld),
    median: quantile(sizes, 0.5),
    ninety: quantile(sizes, 0.9),
    bias: quantile(signed, 0.5),
    coverage_ratio: inside / count,
    width_ratio: width / count / (2 * quantile(sizes, 0.95)),
  };
}

/** Figures of one kind of valve, and the share that the kind has in the mix they are compared with. */
export interface Stratum {
  readonly judged: readonly Judged[];
  readonly share: number;
}

/** Quantile of |error| in a mix of strata, whatever number of each there is; NaN when there is nothing. */
export function mixedQuantile(strata: readonly Stratum[], share: number): number {
  const all = strata
    .flatMap(({ judged, share: part }) =>
      judged.map(({ error }) => ({ size: Math.abs(error), weight: part / judged.length })),
    )
    .sort((a, b) => a.size - b.size);
  if (all.length === 0) return Number.NaN;
  const total = all.reduce((sum, { weight }) => sum + weight, 0);
  let below = 0;
  for (const { size, weight } of all) {
    below += weight;
    if (below >= share * total) return size;
  }
  return all[all.length - 1].size;
}

/**
 * Upper end of the one-sided 99 % bootstrap interval of a quantile of |error| over a reference figure (percentile
 * bootstrap, Efron 1979, from memory; 500 draws). Every draw takes the kinds in the shares of the mix.
 */
export function bootstrapRatio(
  strata: readonly Stratum[],
  share: number,
  reference: number,
  random: Random,
): number {
  const filled = strata.filter(({ judged }) => judged.length > 0);
  const sizes = filled.map(({ judged }) => Float64Array.from(judged, ({ error }) => Math.abs(error)));
  const total = filled.reduce((sum, stratum) => sum + stratum.share, 0);
  const n = sizes.reduce((sum, { length }) => sum + length, 0);
  const pick = (): Float64Array => {
    let left = random() * total;
    for (const [k, stratum] of filled.entries()) {
      left -= stratum.share;
      if (left < 0) return sizes[k];
    }
    return sizes[sizes.length - 1];
  };
  const draw = new Float64Array(n);
  const ratios: number[] = [];
  for (let k = 0; k < 500; k++) {
    for (let i = 0; i < n; i++) {
      const from = pick();
      draw[i] = from[Math.floor(random() * from.length)];
    }
    draw.sort();
    ratios.push(quantile(draw, share) / reference);
  }
  ratios.sort((a, b) => a - b);
  return quantile(ratios, 0.99);
}
