/** Standard uncertainties and estimates: first-order propagation after JCGM 100:2008, section 5. */

/** Coverage factor of a 95 % interval of a normal quantity. */
export const coverage = 1.96;

/** Root of the sum of squares of standard uncertainties in one unit, taken as independent (JCGM 100:2008, 5.1.2); 0 for none. */
export function together(...parts: readonly number[]): number {
  let sum = 0;
  for (const part of parts) sum += part * part;
  return Math.sqrt(sum);
}

/** Standard uncertainty of a quantity known to lie within +- `halfWidth`, all values alike (JCGM 100:2008, 4.3.7). */
export function ofRectangle(halfWidth: number): number {
  return halfWidth / Math.sqrt(3);
}

/** Standard uncertainty behind a 95 % half-width, in its unit: half-width over the coverage factor of a normal quantity. */
export function ofInterval(halfWidth: number): number {
  return halfWidth / coverage;
}

/** How far a number lies outside an interval, in its unit: above it positive, below it negative, inside 0. */
export function outsideOf(value: number, [low, high]: readonly [number, number]): number {
  return value - Math.min(high, Math.max(low, value));
}

/** An estimate inside the house: value and standard uncertainty. */
export interface Estimate {
  readonly value: number;
  readonly uncertainty: number;
}

/**
 * Weighted mean of independent estimates (weights 1/u^2). Where they scatter more than their uncertainties allow, the
 * uncertainty grows by the ratio of scatter to expectation (Birge; from memory).
 */
export function weighted(estimates: readonly Estimate[]): Estimate {
  let weights = 0;
  let sum = 0;
  for (const { value, uncertainty } of estimates) {
    const weight = 1 / Math.max(1e-30, uncertainty * uncertainty);
    weights += weight;
    sum += weight * value;
  }
  const value = sum / weights;
  let scatter = 0;
  for (const one of estimates) scatter += ((one.value - value) / Math.max(1e-15, one.uncertainty)) ** 2;
  const ratio = estimates.length > 1 ? Math.sqrt(Math.max(1, scatter / (estimates.length - 1))) : 1;
  return { value, uncertainty: ratio / Math.sqrt(weights) };
}
