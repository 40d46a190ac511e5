/** Results with intervals, lopsided where a bound is one-sided. First-order propagation after JCGM 100:2008, section 5. */
import type { Span } from '../statistics/samples.ts';
import { coverage } from '../statistics/uncertainty.ts';
import type { Measured, Result, Withheld } from './verdict.ts';

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
