/** Calibration curves: two points, a straight line or a parabola through many, with what they are worth. */
import { fisherTail } from '../statistics/incomplete-beta.ts';
import { leastSquares } from '../statistics/least-squares.ts';

/** y = c0 + c1 x + c2 x^2, x the reading (for example mA) and y the reference (for example Pa). */
export interface CalibrationFit {
  readonly degree: 1 | 2;
  /** Points. */
  readonly n: number;
  /** c0, c1 (, c2): unit of y over the power of the unit of x. */
  readonly coefficients: Float64Array;
  /**
   * Covariance of the coefficients, row by row; off-diagonals are large and must be kept. Null where as many points as
   * coefficients were given and no deviation: then nothing is known of the scatter.
   */
  readonly covariance: Float64Array | null;
  /** Reference - curve, in the order of the points. */
  readonly residuals: Float64Array;
  /** Sum of their squares. */
  readonly squares: number;
  /** Points less coefficients. */
  readonly degrees: number;
  /** Standard deviation of one point about the curve: from the residuals, or as given. Null as `covariance`. */
  readonly deviation: number | null;
  /** Share of the sum of squares about the mean that the curve explains; 1 where the references do not differ. */
  readonly explained_ratio: number;
  /** Smallest and largest x: the curve says nothing outside. */
  readonly from: number;
  readonly to: number;
  /** The same curve in z = (x - middle) / half, the form in which it is evaluated: no digits are lost. */
  readonly scaled: {
    readonly middle: number;
    readonly half: number;
    readonly coefficients: Float64Array;
    readonly covariance: Float64Array | null;
  };
}

/**
 * Unweighted least squares, by Householder's QR in scaled x: certified NIST StRD values come out to 1e-10. `degree` 1
 * with two points is the two-point calibration. `deviation`, the standard uncertainty of one point, is needed there for
 * a covariance and otherwise replaces the one of the residuals. The uncertainty that all references share (the
 * certificate's) is not in it: add it to the result. Throws RangeError for fewer distinct x than coefficients or numbers
 * that are not finite.
 */
export function fitCalibration(
  x: ArrayLike<number>,
  y: ArrayLike<number>,
  degree: 1 | 2,
  deviation: number | null = null,
): CalibrationFit {
  const n = x.length;
  const p = degree + 1;
  check(x, y, degree);
  if (deviation !== null && !(deviation >= 0 && deviation < Infinity)) {
    throw new RangeError(`calibration: deviation ${deviation} found, >= 0 allowed`);
  }
  let from = x[0];
  let to = x[0];
  for (let k = 1; k < n; k++) {
    from = Math.min(from, x[k]);
    to = Math.max(to, x[k]);
  }
  const middle = from + (to - from) / 2;
  const half = (to - from) / 2;
  const columns = Array.from({ length: p }, (_, i) =>
    Float64Array.from(x, (v) => ((v - middle) / half) ** i),
  );
  const solved = leastSquares(columns, Float64Array.from(y));
  const { coefficients: scaled, inverse, residuals } = solved;
  let squares = 0;
  for (const residual of residuals) squares += residual * residual;
  const degrees = n - p;
  const used = deviation ?? (degrees > 0 ? Math.sqrt(squares / degrees) : null);
  const scaledCovariance = used === null ? null : inverse.map((value) => value * used * used);
  const back = unscaling(degree, middle, half);
  return {
    degree,
    n,
    coefficients: times(back, scaled, p),
    covariance: scaledCovariance === null ? null : sandwich(back, scaledCovariance, p),
    residuals,
    squares,
    degrees,
    deviation: used,
    explained_ratio: explained(y, squares),
    from,
    to,
    scaled: { middle, half, coefficients: scaled, covariance: scaledCovariance },
  };
}

function check(x: ArrayLike<number>, y: ArrayLike<number>, degree: number): void {
  if (x.length !== y.length) {
    throw new RangeError(
      `calibration: ${x.length} readings and ${y.length} references found, as many of both allowed`,
    );
  }
  for (let k = 0; k < x.length; k++) {
    if (!Number.isFinite(x[k]) || !Number.isFinite(y[k])) {
      throw new RangeError(`calibration point ${k + 1}: ${x[k]}, ${y[k]} found, finite numbers allowed`);
    }
  }
  const distinct = new Set(Array.from(x)).size;
  if (distinct <= degree) {
    throw new RangeError(`calibration: ${distinct} different readings found, ${degree + 1} or more allowed`);
  }
}

function explained(y: ArrayLike<number>, squares: number): number {
  let mean = 0;
  for (let k = 0; k < y.length; k++) mean += y[k] / y.length;
  let total = 0;
  for (let k = 0; k < y.length; k++) total += (y[k] - mean) ** 2;
  return total === 0 ? 1 : 1 - squares / total;
}

/** Matrix from coefficients of z to coefficients of x: the powers of (x - middle) / half written out. */
function unscaling(degree: 1 | 2, m: number, h: number): Float64Array {
  if (degree === 1) return Float64Array.of(1, -m / h, 0, 1 / h);
  const s = 1 / (h * h);
  return Float64Array.of(1, -m / h, m * m * s, 0, 1 / h, -2 * m * s, 0, 0, s);
}

function times(matrix: Float64Array, vector: Float64Array, p: number): Float64Array {
  return Float64Array.from({ length: p }, (_, i) => {
    let sum = 0;
    for (let j = 0; j < p; j++) sum += matrix[i * p + j] * vector[j];
    return sum;
  });
}

/** matrix * covariance * matrix transposed. */
function sandwich(matrix: Float64Array, covariance: Float64Array, p: number): Float64Array {
  const out = new Float64Array(p * p);
  for (let i = 0; i < p; i++) {
    for (let j = i; j < p; j++) {
      let sum = 0;
      for (let a = 0; a < p; a++) {
        for (let b = 0; b < p; b++) sum += matrix[i * p + a] * covariance[a * p + b] * matrix[j * p + b];
      }
      out[i * p + j] = sum;
      out[j * p + i] = sum;
    }
  }
  return out;
}

/** A number and its standard uncertainty in the same unit (null: not known, as in `CalibrationFit.covariance`). */
export interface Predicted {
  readonly value: number;
  readonly uncertainty: number | null;
}

/**
 * The curve at a reading x, with the uncertainty of the curve alone (JCGM 100:2008, H.3.4). To know what one more point
 * would give, add `deviation` in squares. Not an error outside `from`..`to`, but not covered by the calibration either.
 */
export function onCalibration(fit: CalibrationFit, x: number): Predicted {
  const { middle, half, coefficients, covariance } = fit.scaled;
  const z = (x - middle) / half;
  let value = 0;
  for (let i = fit.degree; i >= 0; i--) value = value * z + coefficients[i];
  if (covariance === null) return { value, uncertainty: null };
  return { value, uncertainty: Math.sqrt(Math.max(0, spreadAt(covariance, z, fit.degree + 1))) };
}

function spreadAt(covariance: Float64Array, z: number, p: number): number {
  let sum = 0;
  for (let i = 0; i < p; i++) for (let j = 0; j < p; j++) sum += covariance[i * p + j] * z ** (i + j);
  return sum;
}

/**
 * The x that belongs to a y that was read `readings` times (its mean): inverse prediction, u^2 = (deviation^2 / readings
 * + u^2 of the curve) / slope^2; for a line this is s / b1 sqrt(1/m + 1/n + (y - mean)^2 / (b1^2 Sxx)) (NIST/SEMATECH
 * e-Handbook 2.3.6.7). Good where the slope is at least ten times its uncertainty. Null where no x, or two, within
 * `from`..`to` widened by a tenth of the span belong to y.
 */
export function inversePrediction(fit: CalibrationFit, y: number, readings = 1): Predicted | null {
  if (!(readings >= 1))
    throw new RangeError(`inverse prediction: ${readings} readings found, 1 or more allowed`);
  const { middle, half, coefficients, covariance } = fit.scaled;
  const roots = rootsOf(coefficients, y).filter((z) => Math.abs(z) <= 1.2);
  if (roots.length !== 1) return null;
  const z = roots[0];
  const slope = coefficients[1] + (fit.degree === 2 ? 2 * coefficients[2] * z : 0);
  const value = middle + half * z;
  if (slope === 0) return null;
  if (covariance === null || fit.deviation === null) return { value, uncertainty: null };
  const square = fit.deviation ** 2 / readings + spreadAt(covariance, z, fit.degree + 1);
  return { value, uncertainty: (half * Math.sqrt(square)) / Math.abs(slope) };
}

/** Real roots of c0 + c1 z + c2 z^2 = y, without the cancellation of the school formula. */
function rootsOf(c: Float64Array, y: number): number[] {
  const c2 = c.length > 2 ? c[2] : 0;
  if (c2 === 0) return c[1] === 0 ? [] : [(y - c[0]) / c[1]];
  const square = c[1] * c[1] - 4 * c2 * (c[0] - y);
  if (square < 0) return [];
  const q = -0.5 * (c[1] + (c[1] < 0 ? -1 : 1) * Math.sqrt(square));
  return q === 0 ? [0] : [q / c2, (c[0] - y) / q];
}

/** Test of the curve against points at the same x. */
export interface LackOfFit {
  /** Mean square of the curve's misses over mean square of the repeats. */
  readonly ratio: number;
  /** Degrees of freedom of both. */
  readonly over: number;
  readonly under: number;
  /** Probability of a ratio at least as large, were the curve right: small (< 0.05) = the curve does not fit. */
  readonly p: number;
}

/**
 * Lack of fit by replicates (Draper & Smith, Applied Regression Analysis; from memory). Points count as replicates when
 * their x are equal. Null without replicates, without x to spare, or where the replicates agree to the last digit.
 * Throws RangeError unless `x` has as many readings as the fit.
 */
export function lackOfFit(fit: CalibrationFit, x: ArrayLike<number>): LackOfFit | null {
  if (x.length !== fit.n) throw new RangeError(`lack of fit: ${x.length} readings found, ${fit.n} allowed`);
  const groups = new Map<number, number[]>();
  for (let k = 0; k < fit.n; k++) {
    const group = groups.get(x[k]);
    if (group === undefined) groups.set(x[k], [fit.residuals[k]]);
    else group.push(fit.residuals[k]);
  }
  const over = groups.size - fit.degree - 1;
  const under = fit.n - groups.size;
  if (over < 1 || under < 1) return null;
  // About its own mean, a group's residuals scatter as its references do: the curve is the same for all of them.
  let pure = 0;
  for (const group of groups.values()) {
    const mean = group.reduce((sum, value) => sum + value, 0) / group.length;
    for (const value of group) pure += (value - mean) ** 2;
  }
  if (pure === 0) return null;
  const ratio = Math.max(0, fit.squares - pure) / over / (pure / under);
  return { ratio, over, under, p: fisherTail(ratio, over, under) };
}
