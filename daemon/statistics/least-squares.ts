/** Linear least squares by Householder's QR: twice the digits of the normal equations, for calibrations kept for years. */

/** Solution of a least-squares problem with n rows and p columns. */
export interface LeastSquares {
  /** p numbers. */
  readonly coefficients: Float64Array;
  /** Inverse of the normal matrix, p x p row by row: times the variance of one row it is the covariance. */
  readonly inverse: Float64Array;
  /** y less the fitted, n numbers. */
  readonly residuals: Float64Array;
}

/**
 * Coefficients that make the squares of y - sum of c_i column_i least; p columns of n >= p rows, unweighted (Golub and
 * Van Loan, Matrix Computations, 5.2; from memory). Scale the columns alike beforehand. Throws RangeError for fewer
 * rows than columns, columns of another length, or columns that depend on each other to rounding.
 */
export function leastSquares(columns: readonly Float64Array[], y: Float64Array): LeastSquares {
  const p = columns.length;
  const n = y.length;
  if (n < p || columns.some((column) => column.length !== n)) {
    throw new RangeError(
      `least squares: ${p} columns and ${n} rows found; needs at least as many rows as columns, of equal length`,
    );
  }
  const a = columns.map((column) => Float64Array.from(column));
  const right = Float64Array.from(y);
  for (let c = 0; c < p; c++) reflect(a, right, c);
  const coefficients = new Float64Array(p);
  for (let i = p - 1; i >= 0; i--) {
    let sum = right[i];
    for (let j = i + 1; j < p; j++) sum -= a[j][i] * coefficients[j];
    coefficients[i] = sum / a[i][i];
  }
  const residuals = Float64Array.from(y);
  for (let i = 0; i < p; i++) {
    for (let k = 0; k < n; k++) residuals[k] -= coefficients[i] * columns[i][k];
  }
  return { coefficients, inverse: inverseOf(a, p), residuals };
}

/** Turns column c to zero below its diagonal, and everything right of it along. */
function reflect(a: Float64Array[], right: Float64Array, c: number): void {
  const n = right.length;
  const v = a[c];
  let whole = 0;
  let below = 0;
  for (let k = 0; k < n; k++) {
    whole += v[k] * v[k];
    if (k >= c) below += v[k] * v[k];
  }
  if (!(below > 1e-24 * whole)) throw new RangeError(`least squares: column ${c} depends on those before it`);
  const norm = v[c] > 0 ? -Math.sqrt(below) : Math.sqrt(below);
  const head = v[c] - norm;
  const scale = 1 / (norm * head);
  for (const column of [...a.slice(c + 1), right]) {
    let sum = head * column[c];
    for (let k = c + 1; k < n; k++) sum += v[k] * column[k];
    const factor = sum * scale;
    column[c] += factor * head;
    for (let k = c + 1; k < n; k++) column[k] += factor * v[k];
  }
  v[c] = norm;
  v.fill(0, c + 1);
}

/** (R transposed R)^-1 from the upper triangle left in the columns. */
function inverseOf(a: readonly Float64Array[], p: number): Float64Array {
  const root = new Float64Array(p * p);
  for (let j = 0; j < p; j++) {
    for (let i = j; i >= 0; i--) {
      let sum = i === j ? 1 : 0;
      for (let k = i + 1; k <= j; k++) sum -= a[k][i] * root[k * p + j];
      root[i * p + j] = sum / a[i][i];
    }
  }
  const inverse = new Float64Array(p * p);
  for (let i = 0; i < p; i++) {
    for (let j = 0; j < p; j++) {
      let sum = 0;
      for (let k = Math.max(i, j); k < p; k++) sum += root[i * p + k] * root[j * p + k];
      inverse[i * p + j] = sum;
    }
  }
  return inverse;
}
