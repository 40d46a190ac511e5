/** Uncertainty of a result from the uncertainties of its inputs, first order, correlations included (JCGM 100:2008). */
import { coverageFactor } from './student.ts';

/** A function of several quantities; input in the order of `at`, must not keep or change the array. */
export type Model = (inputs: Float64Array) => number;

/**
 * Derivatives of `model` by each input at `at`, from half the change over +- one standard uncertainty (JCGM 100:2008,
 * 5.1.3 note 2): shape of `at`, unit of the result over unit of the input. An input with uncertainty 0 gets 0.
 * Good where the model is nearly straight over that span; otherwise use monte-carlo.ts.
 */
export function sensitivities(
  model: Model,
  at: ArrayLike<number>,
  uncertainties: ArrayLike<number>,
): Float64Array {
  sameLength(at.length, uncertainties.length);
  const inputs = Float64Array.from(at);
  const slopes = new Float64Array(inputs.length);
  for (let i = 0; i < inputs.length; i++) {
    const u = uncertainties[i];
    if (u === 0) continue;
    const middle = inputs[i];
    inputs[i] = middle + u;
    const above = model(inputs);
    const wide = inputs[i];
    inputs[i] = middle - u;
    slopes[i] = (above - model(inputs)) / (wide - inputs[i]);
    inputs[i] = middle;
  }
  return slopes;
}

/**
 * Standard uncertainty of a result: square root of the sum over i, j of c_i c_j u_i u_j r_ij (JCGM 100:2008, eq. 16).
 * `correlation` n x n row by row, null = independent. Throws RangeError when the lengths do not fit or the matrix can
 * be no correlation: diagonal not 1, unsymmetric, beyond +-1, or giving a negative square here.
 */
export function combined(
  slopes: ArrayLike<number>,
  uncertainties: ArrayLike<number>,
  correlation: ArrayLike<number> | null = null,
): number {
  return Math.sqrt(covarianceOf([slopes], uncertainties, correlation)[0]);
}

/**
 * Covariances between m results of the same n inputs (JCGM 100:2008, H.2.3): m x m row by row, `slopes` one row a
 * result. Results that share inputs (density and wave speed, slope and offset of one calibration) come out correlated.
 * Throws RangeError as `combined`.
 */
export function covarianceOf(
  slopes: readonly ArrayLike<number>[],
  uncertainties: ArrayLike<number>,
  correlation: ArrayLike<number> | null = null,
): Float64Array {
  const n = uncertainties.length;
  for (let i = 0; i < n; i++) {
    if (!(uncertainties[i] >= 0))
      throw new RangeError(`uncertainty ${i}: ${uncertainties[i]} found, >= 0 allowed`);
  }
  if (correlation !== null) checkCorrelation(correlation, n);
  const m = slopes.length;
  const covariance = new Float64Array(m * m);
  for (let p = 0; p < m; p++) {
    sameLength(slopes[p].length, n);
    for (let q = p; q < m; q++) {
      let sum = 0;
      let size = 0;
      for (let i = 0; i < n; i++) {
        const left = slopes[p][i] * uncertainties[i];
        for (let j = 0; j < n; j++) {
          const r = correlation === null ? (i === j ? 1 : 0) : correlation[i * n + j];
          const part = r * left * slopes[q][j] * uncertainties[j];
          sum += part;
          size += Math.abs(part);
        }
      }
      if (p === q && sum < 0) {
        if (sum < -1e-9 * size) throw new RangeError('correlation: the matrix gives a negative square');
        sum = 0;
      }
      covariance[p * m + q] = sum;
      covariance[q * m + p] = sum;
    }
  }
  return covariance;
}

/** Correlation coefficients, n x n, of a covariance matrix; 0 beside a quantity without scatter. */
export function correlationOf(covariance: ArrayLike<number>, n: number): Float64Array {
  sameLength(covariance.length, n * n);
  const correlation = new Float64Array(n * n);
  for (let i = 0; i < n; i++) {
    for (let j = 0; j < n; j++) {
      const scale = Math.sqrt(covariance[i * n + i] * covariance[j * n + j]);
      correlation[i * n + j] = i === j ? 1 : scale === 0 ? 0 : covariance[i * n + j] / scale;
    }
  }
  return correlation;
}

/** One share |c_i| u_i of a combined uncertainty and the degrees of freedom it rests on (Infinity = taken as exact). */
export interface Component {
  readonly uncertainty: number;
  readonly degrees: number;
}

/**
 * Effective degrees of freedom of independent shares together (Welch-Satterthwaite; JCGM 100:2008, G.4.1 eq. G.2b);
 * Infinity when every share has that or is 0. Not valid for correlated inputs. Throws RangeError for degrees <= 0.
 */
export function effectiveDegrees(components: readonly Component[]): number {
  let square = 0;
  for (const { uncertainty } of components) square += uncertainty * uncertainty;
  let sum = 0;
  for (const { uncertainty, degrees } of components) {
    if (!(degrees > 0)) throw new RangeError(`degrees of freedom: ${degrees} found, > 0 allowed`);
    if (square > 0) sum += ((uncertainty * uncertainty) / square) ** 2 / degrees;
  }
  return sum === 0 ? Infinity : 1 / sum;
}

/** Half-width of the interval at `level` (0.95 = 95 %); whole degrees, rounded down, as JCGM 100:2008 G.4.1 advises. */
export function expanded(uncertainty: number, degrees = Infinity, level = 0.95): number {
  return (
    coverageFactor(level, degrees === Infinity ? degrees : Math.max(1, Math.floor(degrees))) * uncertainty
  );
}

function sameLength(found: number, allowed: number): void {
  if (found !== allowed) throw new RangeError(`propagation: ${found} numbers found, ${allowed} allowed`);
}

function checkCorrelation(matrix: ArrayLike<number>, n: number): void {
  sameLength(matrix.length, n * n);
  for (let i = 0; i < n; i++) {
    for (let j = 0; j < n; j++) {
      const r = matrix[i * n + j];
      if (i === j ? r !== 1 : !(Math.abs(r) <= 1) || Math.abs(r - matrix[j * n + i]) > 1e-12) {
        throw new RangeError(
          `correlation [${i}, ${j}]: ${r} found; 1 on the diagonal, -1..1 and symmetric allowed`,
        );
      }
    }
  }
}
