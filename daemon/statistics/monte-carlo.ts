/** Intervals by propagating whole distributions, for results that are not near normal (JCGM 101:2008). */
import type { Model } from './propagate.ts';

/** What is known of an input; every number in the unit of the input. */
export type Input =
  | { readonly kind: 'normal'; readonly mean: number; readonly uncertainty: number }
  /** All values between the ends alike. */
  | { readonly kind: 'rectangle'; readonly low: number; readonly high: number }
  /** Most likely in the middle, never outside the ends. */
  | { readonly kind: 'triangle'; readonly low: number; readonly high: number }
  /** Mean of few readings: scaled and shifted Student's t (JCGM 101:2008, 6.4.9). */
  | {
      readonly kind: 'student';
      readonly mean: number;
      readonly uncertainty: number;
      readonly degrees: number;
    };

/** Two ends, in the unit of the result. */
export interface Interval {
  readonly low: number;
  readonly high: number;
}

/** The results of all trials, smallest first, and their mean and standard deviation. */
export interface Trials {
  readonly sorted: Float64Array;
  readonly mean: number;
  readonly deviation: number;
}

/** Numbers evenly distributed over 0 < x < 1; equal seeds give equal sequences. */
export type Uniform = () => number;

/** Small fast counter generator with 96 mixed bits and a counter (sfc32, public domain; from memory). Not for secrets. */
export function uniformFrom(seed: number): Uniform {
  let a = 0x9e3779b9;
  let b = 0x243f6a88;
  let c = seed >>> 0;
  let counter = 1;
  const next = (): number => {
    const sum = (((a + b) | 0) + counter) | 0;
    counter = (counter + 1) | 0;
    a = b ^ (b >>> 9);
    b = (c + (c << 3)) | 0;
    c = (((c << 21) | (c >>> 11)) + sum) | 0;
    return sum >>> 0;
  };
  for (let k = 0; k < 15; k++) next();
  // 52 bits and a half: never 0, never 1, so that a logarithm may be taken of it.
  return () => ((next() >>> 6) * 67108864 + (next() >>> 6) + 0.5) / 4503599627370496;
}

/** Normal numbers, mean 0 and deviation 1 (Box and Muller; JCGM 101:2008, annex C.4). */
function normalFrom(uniform: Uniform): number {
  return Math.sqrt(-2 * Math.log(uniform())) * Math.cos(2 * Math.PI * uniform());
}

/**
 * Gamma-distributed numbers with scale 1 (Marsaglia and Tsang 2000; from memory). They give it for shapes >= 1; the
 * bound it rests on, x^2 / 2 + d - d v + d ln v <= 0, has its one maximum at x = 0 for every shape > 1/3.
 */
function gammaFrom(uniform: Uniform, shape: number): number {
  const d = shape - 1 / 3;
  for (;;) {
    const x = normalFrom(uniform);
    const v = (1 + x / Math.sqrt(9 * d)) ** 3;
    if (v > 0 && Math.log(uniform()) < 0.5 * x * x + d - d * v + d * Math.log(v)) return d * v;
  }
}

function draw(input: Input, uniform: Uniform): number {
  if (input.kind === 'normal') return input.mean + input.uncertainty * normalFrom(uniform);
  if (input.kind === 'rectangle') return input.low + (input.high - input.low) * uniform();
  if (input.kind === 'triangle') {
    return input.low + 0.5 * (input.high - input.low) * (uniform() + uniform());
  }
  const t = normalFrom(uniform) / Math.sqrt((2 * gammaFrom(uniform, input.degrees / 2)) / input.degrees);
  return input.mean + input.uncertainty * t;
}

function check(inputs: readonly Input[], trials: number): void {
  if (!(Number.isInteger(trials) && trials >= 100)) {
    throw new RangeError(`trials: ${trials} found, a whole number >= 100 allowed`);
  }
  for (const [i, input] of inputs.entries()) {
    const isRight =
      input.kind === 'normal' || input.kind === 'student'
        ? input.uncertainty >= 0 && (input.kind === 'normal' || input.degrees >= 1)
        : input.low <= input.high;
    if (!isRight) {
      throw new RangeError(
        `input ${i}: ${JSON.stringify(input)} found; uncertainty >= 0, degrees >= 1, low <= high allowed`,
      );
    }
  }
}

/**
 * Runs `model` on `trials` draws of independent inputs (JCGM 101:2008, section 7). 1e5 trials place the ends of a 95 %
 * interval to about 1 % of its width; 1e6 to 0.3 %. Throws RangeError for inputs that are no distribution and for a
 * model without a finite answer.
 */
export function monteCarlo(model: Model, inputs: readonly Input[], trials: number, seed: number): Trials {
  check(inputs, trials);
  const uniform = uniformFrom(seed);
  const drawn = new Float64Array(inputs.length);
  const results = new Float64Array(trials);
  for (let k = 0; k < trials; k++) {
    for (let i = 0; i < inputs.length; i++) drawn[i] = draw(inputs[i], uniform);
    results[k] = model(drawn);
  }
  return trialsOf(results);
}

/**
 * As `monteCarlo` for n normal inputs that are correlated: `covariance` n x n row by row, positive definite (an input
 * known exactly may have a row of zeros). JCGM 101:2008, 6.4.8. Throws RangeError when it is not.
 */
export function monteCarloCorrelated(
  model: Model,
  means: ArrayLike<number>,
  covariance: ArrayLike<number>,
  trials: number,
  seed: number,
): Trials {
  check([], trials);
  const n = means.length;
  const root = choleskyOf(covariance, n);
  const uniform = uniformFrom(seed);
  const normals = new Float64Array(n);
  const drawn = new Float64Array(n);
  const results = new Float64Array(trials);
  for (let k = 0; k < trials; k++) {
    for (let i = 0; i < n; i++) {
      normals[i] = normalFrom(uniform);
      let sum = means[i];
      for (let j = 0; j <= i; j++) sum += root[i * n + j] * normals[j];
      drawn[i] = sum;
    }
    results[k] = model(drawn);
  }
  return trialsOf(results);
}

/** Lower triangular root of a symmetric matrix that is positive definite but for rows of zeros. */
function choleskyOf(matrix: ArrayLike<number>, n: number): Float64Array {
  if (matrix.length !== n * n)
    throw new RangeError(`covariance: ${matrix.length} numbers found, ${n * n} allowed`);
  const root = new Float64Array(n * n);
  for (let i = 0; i < n; i++) {
    for (let j = 0; j <= i; j++) {
      let rest = matrix[i * n + j];
      for (let k = 0; k < j; k++) rest -= root[i * n + k] * root[j * n + k];
      if (i !== j) {
        root[i * n + j] = root[j * n + j] === 0 ? 0 : rest / root[j * n + j];
      } else if (rest < -1e-12 * matrix[i * n + i] || Number.isNaN(rest)) {
        throw new RangeError(`covariance: not positive definite at row ${i}`);
      } else {
        root[i * n + i] = Math.sqrt(Math.max(0, rest));
      }
    }
  }
  return root;
}

function trialsOf(results: Float64Array): Trials {
  let mean = 0;
  for (let k = 0; k < results.length; k++) {
    if (!Number.isFinite(results[k])) throw new RangeError(`trial ${k}: the model has no finite answer`);
    mean += results[k];
  }
  mean /= results.length;
  let squares = 0;
  for (let k = 0; k < results.length; k++) squares += (results[k] - mean) ** 2;
  return { sorted: results.sort(), mean, deviation: Math.sqrt(squares / (results.length - 1)) };
}

/** How many steps of the sorted results an interval spans (JCGM 101:2008, 7.7.1). */
function stepsOf(sorted: Float64Array, level: number): number {
  if (!(level > 0 && level < 1))
    throw new RangeError(`coverage: level ${level} found, 0 < level < 1 allowed`);
  return Math.min(sorted.length - 1, Math.round(level * sorted.length));
}

/** Interval with as many results below as above it (probabilistically symmetric; JCGM 101:2008, 7.7.2). */
export function symmetricInterval({ sorted }: Trials, level = 0.95): Interval {
  const steps = stepsOf(sorted, level);
  const first = Math.round((sorted.length - 1 - steps) / 2);
  return { low: sorted[first], high: sorted[first + steps] };
}

/** The narrowest interval that holds `level` of the results (JCGM 101:2008, 7.7.4): the one for lopsided results. */
export function shortestInterval({ sorted }: Trials, level = 0.95): Interval {
  const steps = stepsOf(sorted, level);
  let best = 0;
  for (let k = 1; k + steps < sorted.length; k++) {
    if (sorted[k + steps] - sorted[k] < sorted[best + steps] - sorted[best]) best = k;
  }
  return { low: sorted[best], high: sorted[best + steps] };
}
