/** Student's t and the normal distribution: probabilities, quantiles, two-sided coverage factors. Pure numbers. */
import { incompleteBeta, lnBeta } from './incomplete-beta.ts';

/** From here on the first correction to the normal distribution is exact to 1e-13. */
const nearlyNormal = 1e7;

/** Density of the normal distribution. */
function normalDensity(z: number): number {
  return Math.exp(-0.5 * z * z) / Math.sqrt(2 * Math.PI);
}

/** Probability of more than z, for z >= 0, with full relative accuracy. */
function normalTail(z: number): number {
  if (z > 38.6) return 0;
  if (z < 2.5) {
    // 1/2 + density * (z + z^3/3 + z^5/15 + ...): all terms positive (Abramowitz & Stegun 26.2.11).
    let term = z;
    let sum = z;
    for (let k = 3; term > 1e-17 * sum; k += 2) {
      term *= (z * z) / k;
      sum += term;
    }
    return 0.5 - normalDensity(z) * sum;
  }
  // Laplace's continued fraction z + 1/(z + 2/(z + 3/...)), from behind (Abramowitz & Stegun 26.2.14).
  let below = z;
  for (let k = Math.ceil(40 + 700 / (z * z)); k >= 1; k--) below = z + k / below;
  return normalDensity(z) / below;
}

/** Probability that a normal quantity (mean 0, deviation 1) is at most z; absolute error below 1e-14. */
export function normalProbability(z: number): number {
  return z > 0 ? 1 - normalTail(z) : normalTail(-z);
}

/**
 * The z that a normal quantity stays under with probability p; 0 < p < 1, relative error below 1e-12. Start from
 * Abramowitz & Stegun 26.2.23, then Halley steps. Throws RangeError for p outside.
 */
export function normalQuantile(p: number): number {
  if (!(p > 0 && p < 1)) throw new RangeError(`normal quantile: probability ${p} found, 0 < p < 1 allowed`);
  return p < 0.5 ? -normalOfTail(p) : normalOfTail(1 - p);
}

function normalOfTail(tail: number): number {
  if (tail === 0.5) return 0;
  const r = Math.sqrt(-2 * Math.log(tail));
  let z =
    r - (2.515517 + r * (0.802853 + r * 0.010328)) / (1 + r * (1.432788 + r * (0.189269 + r * 0.001308)));
  for (let k = 0; k < 4; k++) {
    const step = (normalTail(Math.max(0, z)) - tail) / normalDensity(z);
    z += step / (1 + 0.5 * z * step);
  }
  return z;
}

/** Probability of more than t >= 0 with `degrees` degrees of freedom. */
function tailOf(t: number, degrees: number): number {
  if (degrees === Infinity) return normalTail(t);
  if (degrees >= nearlyNormal) {
    // First term of Fisher's expansion in 1 / degrees (Abramowitz & Stegun 26.7.5, turned round).
    return normalTail(t) + (normalDensity(t) * (t * t * t + t)) / (4 * degrees);
  }
  const sum = degrees + t * t;
  return 0.5 * incompleteBeta(degrees / sum, degrees / 2, 0.5, (t * t) / sum);
}

function densityOf(t: number, degrees: number): number {
  if (degrees >= nearlyNormal) return normalDensity(t);
  const power = -0.5 * (degrees + 1) * Math.log1p((t * t) / degrees);
  return Math.exp(power - lnBeta(degrees / 2, 0.5)) / Math.sqrt(degrees);
}

function checkDegrees(degrees: number): void {
  if (!(degrees > 0)) throw new RangeError(`Student's t: ${degrees} degrees of freedom found, > 0 allowed`);
}

/**
 * Probability that Student's t with `degrees` > 0 degrees of freedom (need not be whole; Infinity is the normal
 * distribution) is at most t. Absolute error below 1e-12 (Abramowitz & Stegun 26.7.1). Throws RangeError.
 */
export function studentProbability(t: number, degrees: number): number {
  checkDegrees(degrees);
  return t > 0 ? 1 - tailOf(t, degrees) : tailOf(-t, degrees);
}

/** Probability that |t| is at least as large as found: the p-value of a two-sided test. Keeps its digits when tiny. */
export function studentTwoSided(t: number, degrees: number): number {
  checkDegrees(degrees);
  return Math.min(1, 2 * tailOf(Math.abs(t), degrees));
}

/**
 * The t that stays unexceeded with probability p, 0 < p < 1; inverse of `studentProbability`, relative error below 1e-10.
 * Throws RangeError.
 */
export function studentQuantile(p: number, degrees: number): number {
  checkDegrees(degrees);
  if (!(p > 0 && p < 1)) throw new RangeError(`t quantile: probability ${p} found, 0 < p < 1 allowed`);
  return p < 0.5 ? -studentOfTail(p, degrees) : studentOfTail(1 - p, degrees);
}

/** Newton's method on the side from which it cannot overshoot: both curves below bend one way only. */
function studentOfTail(tail: number, degrees: number): number {
  if (tail === 0.5) return 0;
  if (degrees === Infinity) return normalOfTail(tail);
  if (tail > 0.2) {
    let t = 0;
    for (let k = 0; k < 60; k++) {
      const step = (tailOf(t, degrees) - tail) / densityOf(t, degrees);
      t += step;
      if (Math.abs(step) <= 1e-15 * t) break;
    }
    return t;
  }
  // ln tail over ln t is nearly a straight line far out, for few degrees of freedom above all.
  let lnT = Math.log(normalOfTail(tail));
  for (let k = 0; k < 60; k++) {
    const t = Math.exp(lnT);
    const now = tailOf(t, degrees);
    const step = (Math.log(now / tail) * now) / (t * densityOf(t, degrees));
    lnT += step;
    if (Math.abs(step) <= 1e-15) break;
  }
  return Math.exp(lnT);
}

/**
 * Factor k for which value +- k u holds the truth with probability `level` (0.95 = 95 %) when u was found with `degrees`
 * degrees of freedom, need not be whole (JCGM 100:2008, G.3 and table G.2). Throws RangeError for a level outside 0..1.
 */
export function coverageFactor(level: number, degrees = Infinity): number {
  checkDegrees(degrees);
  if (!(level > 0 && level < 1))
    throw new RangeError(`coverage: level ${level} found, 0 < level < 1 allowed`);
  return studentOfTail((1 - level) / 2, degrees);
}

/**
 * What a standard uncertainty found with so many degrees of freedom is multiplied by, so that 1.96 times it still is a 95 %
 * interval (JCGM 100:2008, G.3): few points count for less. 1 for null: it was not found from a scatter.
 */
export function fewPointsFactor(degrees: number | null): number {
  return degrees === null ? 1 : coverageFactor(0.95, degrees) / coverageFactor(0.95);
}
