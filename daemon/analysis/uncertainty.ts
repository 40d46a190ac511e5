/** Results with intervals. First-order propagation after JCGM 100:2008, section 5; lopsided where a bound is one-sided. */

import type { Span } from './samples.ts';
import type { Measured, Result, Withheld } from './verdict.ts';

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

/** A result that is not given, and why. */
export function withheld(reason: string): Withheld {
  return { value: null, reason };
}

/**
 * A measured number with a symmetric 95 % interval from its standard uncertainty. Becomes `Withheld` when the number
 * or its uncertainty is not finite, so that nothing but numbers ever leaves the analysis.
 */
export function measured(
  value: number,
  unit: string,
  uncertainty: number,
  method: string,
  span: Span | null = null,
): Result {
  return bounded(value, unit, value - coverage * uncertainty, value + coverage * uncertainty, method, span);
}

/** A measured number with its interval given end by end; the ends are put in order and made to include the value. */
export function bounded(
  value: number,
  unit: string,
  low: number,
  high: number,
  method: string,
  span: Span | null = null,
): Result {
  if (!Number.isFinite(value) || !Number.isFinite(low) || !Number.isFinite(high)) {
    return withheld('the arithmetic has no finite answer for this record');
  }
  return {
    value,
    unit,
    low: Math.min(low, high, value),
    high: Math.max(low, high, value),
    method,
    from_s: span === null ? null : span.from_s,
    to_s: span === null ? null : span.to_s,
  };
}

/** Whether a result carries a number. */
export function isMeasured(result: Result): result is Measured {
  return result.value !== null;
}

/** Standard uncertainty that corresponds to the interval of a result (mean of both sides). */
export function standardOf(result: Measured): number {
  return (result.high - result.low) / (2 * coverage);
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
