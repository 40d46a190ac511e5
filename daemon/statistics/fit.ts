/** Least squares: the straight line with its uncertainty, and a general linear fit of a few columns. */
import { range, type Samples, type Span } from './samples.ts';

/** y = level + slope (t - middle_s), with what is needed for the uncertainty anywhere on it. */
export interface LineFit {
  readonly middle_s: number;
  readonly level: number;
  readonly slope: number;
  /** Standard deviation of the residuals (n - 2 degrees of freedom; 0 with two points). */
  readonly sigma: number;
  readonly n: number;
  /** Sum of (t - middle)^2, in s2. */
  readonly spread_s2: number;
}

/**
 * Straight line through the samples of a window by least squares, in centred sums; null with fewer than two
 * samples or no spread in time. Formulas: JCGM 100:2008, H.3.
 */
export function fitLine(samples: Samples, span: Span): LineFit | null {
  const [first, end] = range(samples.time_s, span);
  return fitLineOf(samples.time_s, samples.value, first, end);
}

/** As `fitLine`, on the index range `[first, end)`. */
export function fitLineOf(
  time_s: Float64Array,
  value: Float64Array,
  first: number,
  end: number,
): LineFit | null {
  const n = end - first;
  if (n < 2) return null;
  let middle_s = 0;
  let level = 0;
  for (let k = first; k < end; k++) {
    middle_s += time_s[k];
    level += value[k];
  }
  middle_s /= n;
  level /= n;
  let spread_s2 = 0;
  let product = 0;
  for (let k = first; k < end; k++) {
    const dt = time_s[k] - middle_s;
    spread_s2 += dt * dt;
    product += dt * (value[k] - level);
  }
  if (spread_s2 <= 0) return null;
  const slope = product / spread_s2;
  let rest = 0;
  for (let k = first; k < end; k++) {
    const residual = value[k] - level - slope * (time_s[k] - middle_s);
    rest += residual * residual;
  }
  return { middle_s, level, slope, sigma: n > 2 ? Math.sqrt(rest / (n - 2)) : 0, n, spread_s2 };
}

/** Value of the line at an instant in s, in the unit of the samples; also outside the samples it was fitted to. */
export function onLine(line: LineFit, at_s: number): number {
  return line.level + line.slope * (at_s - line.middle_s);
}

/** Standard uncertainty of the line at an instant from the scatter of the samples (JCGM 100:2008, H.3.3). */
export function lineUncertainty(line: LineFit, at_s: number): number {
  const dt = at_s - line.middle_s;
  return line.sigma * Math.sqrt(1 / line.n + (dt * dt) / line.spread_s2);
}

/** Result of `fitColumns`: coefficients, and the inverse of the normal matrix for their covariance. */
export interface ColumnFit {
  readonly coefficients: Float64Array;
  /** Row by row; covariance = sigma^2 times this. */
  readonly inverse: Float64Array;
  readonly squares: number;
  readonly n: number;
  readonly sigma: number;
}

/**
 * Linear least squares of `y` on up to eight columns of the same length. Null when there are not more rows than
 * columns or the columns are dependent.
 */
export function fitColumns(columns: readonly Float64Array[], y: Float64Array): ColumnFit | null {
  const p = columns.length;
  const n = y.length;
  if (n <= p) return null;
  const normal = new Float64Array(p * p);
  const right = new Float64Array(p);
  const sums = new Float64Array(3);
  for (let i = 0; i < p; i++) {
    for (let j = i; j <= p; j += 3) {
      const last = Math.min(2, p - j);
      const at = (c: number) => (j + c < p ? columns[j + c] : y);
      threeProducts(columns[i], [at(0), at(Math.min(1, last)), at(last)], sums);
      for (let c = 0; c <= last; c++) {
        if (j + c === p) right[i] = sums[c];
        else {
          normal[i * p + j + c] = sums[c];
          normal[(j + c) * p + i] = sums[c];
        }
      }
    }
  }
  const inverse = invert(normal, p);
  if (inverse === null) return null;
  const coefficients = new Float64Array(p);
  for (let i = 0; i < p; i++) {
    let sum = 0;
    for (let j = 0; j < p; j++) sum += inverse[i * p + j] * right[j];
    coefficients[i] = sum;
  }
  const model = new Float64Array(n);
  for (let i = 0; i < p; i++) {
    const column = columns[i];
    const coefficient = coefficients[i];
    for (let k = 0; k < n; k++) model[k] += coefficient * column[k];
  }
  let squares = 0;
  for (let k = 0; k < n; k++) {
    const residual = y[k] - model[k];
    squares += residual * residual;
  }
  return { coefficients, inverse, squares, n, sigma: Math.sqrt(squares / (n - p)) };
}

/**
 * Sums of the products of `a` with three columns. Each sum is a chain of additions that wait for one another; three chains in
 * one loop take the time of one.
 */
function threeProducts(
  a: Float64Array,
  [b, c, d]: readonly [Float64Array, Float64Array, Float64Array],
  sums: Float64Array,
): void {
  let ab = 0;
  let ac = 0;
  let ad = 0;
  for (let k = 0; k < a.length; k++) {
    const x = a[k];
    ab += x * b[k];
    ac += x * c[k];
    ad += x * d[k];
  }
  sums[0] = ab;
  sums[1] = ac;
  sums[2] = ad;
}

/** Inverse of a symmetric positive matrix by elimination with scaling; null when it is singular to rounding. */
function invert(matrix: Float64Array, p: number): Float64Array | null {
  const scale = new Float64Array(p);
  for (let i = 0; i < p; i++) {
    const diagonal = matrix[i * p + i];
    if (!(diagonal > 0)) return null;
    scale[i] = 1 / Math.sqrt(diagonal);
  }
  const width = 2 * p;
  const work = new Float64Array(p * width);
  for (let i = 0; i < p; i++) {
    for (let j = 0; j < p; j++) work[i * width + j] = matrix[i * p + j] * scale[i] * scale[j];
    work[i * width + p + i] = 1;
  }
  for (let c = 0; c < p; c++) {
    let pivot = c;
    for (let r = c + 1; r < p; r++) {
      if (Math.abs(work[r * width + c]) > Math.abs(work[pivot * width + c])) pivot = r;
    }
    if (Math.abs(work[pivot * width + c]) < 1e-10) return null;
    for (let j = 0; j < width; j++) {
      const swap = work[c * width + j];
      work[c * width + j] = work[pivot * width + j];
      work[pivot * width + j] = swap;
    }
    const factor = 1 / work[c * width + c];
    for (let j = 0; j < width; j++) work[c * width + j] *= factor;
    for (let r = 0; r < p; r++) {
      const share = work[r * width + c];
      if (r === c || share === 0) continue;
      for (let j = 0; j < width; j++) work[r * width + j] -= share * work[c * width + j];
    }
  }
  const inverse = new Float64Array(p * p);
  for (let i = 0; i < p; i++) {
    for (let j = 0; j < p; j++) inverse[i * p + j] = work[i * width + p + j] * scale[i] * scale[j];
  }
  return inverse;
}
