/** Whether two series differ: Welch's comparison for unequal scatter, and the pooled one for equal scatter. */
import { coverageFactor, studentTwoSided } from './student.ts';

/** A series in three numbers; `mean` and `deviation` in the unit of the readings. */
export interface Summary {
  /** Readings; 2 or more. */
  readonly n: number;
  readonly mean: number;
  /** Standard deviation of a single reading, with n - 1. */
  readonly deviation: number;
}

/** First minus second. */
export interface Comparison {
  readonly difference: number;
  /** Standard uncertainty of the difference. */
  readonly uncertainty: number;
  /** Ends of the interval that holds the true difference with the probability asked for. */
  readonly low: number;
  readonly high: number;
  /** difference / uncertainty. */
  readonly t: number;
  /** Degrees of freedom; rarely whole for Welch's comparison. */
  readonly degrees: number;
  /** Probability of a t at least as far from 0, were there no true difference. */
  readonly p: number;
}

/** Mean and deviation of n >= 2 finite readings, in two passes. Throws RangeError otherwise. */
export function summaryOf(readings: ArrayLike<number>): Summary {
  const n = readings.length;
  let mean = 0;
  for (let k = 0; k < n; k++) mean += readings[k];
  mean /= n;
  let squares = 0;
  for (let k = 0; k < n; k++) squares += (readings[k] - mean) ** 2;
  const summary = { n, mean, deviation: Math.sqrt(squares / (n - 1)) };
  check(summary);
  return summary;
}

function check({ n, mean, deviation }: Summary): void {
  if (!(n >= 2)) throw new RangeError(`comparison: a series of ${n} readings found, 2 or more allowed`);
  if (!Number.isFinite(mean) || !(deviation >= 0 && deviation < Infinity)) {
    throw new RangeError(`comparison: mean ${mean}, deviation ${deviation} found; finite and >= 0 allowed`);
  }
}

/**
 * Welch's comparison of two independent series of nearly normal readings whose scatter may differ, with the degrees of
 * freedom of Welch-Satterthwaite (NIST/SEMATECH e-Handbook 1.3.5.3). Null when neither series scatters: then nothing
 * says what difference is much. Throws RangeError for fewer than two readings or a level outside 0..1.
 */
export function welch(first: Summary, second: Summary, level = 0.95): Comparison | null {
  check(first);
  check(second);
  const a = first.deviation ** 2 / first.n;
  const b = second.deviation ** 2 / second.n;
  if (a + b === 0) return null;
  // Shares, so that neither tiny nor huge scatter leaves the range of numbers.
  const share = a / (a + b);
  const degrees = 1 / (share ** 2 / (first.n - 1) + (1 - share) ** 2 / (second.n - 1));
  return compared(first.mean - second.mean, Math.sqrt(a + b), degrees, level);
}

/** As `welch`, for two series known to scatter alike: one deviation from both, n1 + n2 - 2 degrees of freedom. */
export function pooled(first: Summary, second: Summary, level = 0.95): Comparison | null {
  const deviation = pooledDeviation(first, second);
  if (deviation === 0) return null;
  const uncertainty = deviation * Math.sqrt(1 / first.n + 1 / second.n);
  return compared(first.mean - second.mean, uncertainty, first.n + second.n - 2, level);
}

/** Standard deviation of one reading from both series together, in their unit. */
export function pooledDeviation(first: Summary, second: Summary): number {
  check(first);
  check(second);
  const squares = (first.n - 1) * first.deviation ** 2 + (second.n - 1) * second.deviation ** 2;
  return Math.sqrt(squares / (first.n + second.n - 2));
}

/** Interval of the mean of a series: mean +- t * deviation / sqrt(n) (JCGM 100:2008, 4.2.3 and G.3). */
export function meanInterval(series: Summary, level = 0.95): { readonly low: number; readonly high: number } {
  check(series);
  const half = (coverageFactor(level, series.n - 1) * series.deviation) / Math.sqrt(series.n);
  return { low: series.mean - half, high: series.mean + half };
}

function compared(difference: number, uncertainty: number, degrees: number, level: number): Comparison {
  const half = coverageFactor(level, degrees) * uncertainty;
  const t = difference / uncertainty;
  return {
    difference,
    uncertainty,
    low: difference - half,
    high: difference + half,
    t,
    degrees,
    p: studentTwoSided(t, degrees),
  };
}
