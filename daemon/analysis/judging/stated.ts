/**
 * The one place that makes a result: value, 95 % interval and budget from one statement, the unit from the table of metrics.
 * A statement names the effects of its sources; what it gives no interval for gets that of the effects together.
 */
import type { Span } from '../../statistics/samples.ts';
import { coverage } from '../../statistics/uncertainty.ts';
import { type MetricName, metrics } from '../metrics.ts';
import { bounded } from '../result.ts';
import type { Result } from '../verdict.ts';
import { doubtOf, type Effect, withBudget } from './budget.ts';

/** All in the metric's SI unit. */
export interface Statement {
  readonly value: number;
  /** How it was found. */
  readonly method: string;
  /** In s after the trip. */
  readonly span?: Span | null;
  /**
   * What +1 standard uncertainty of each source does to the value (sensitivity times half-width), sign kept: sources that
   * several numbers share correlate them. `method` is what formula, window and shape leave open.
   */
  readonly effects: readonly Effect[];
  /** Standard uncertainty, where it is not that of the effects together. */
  readonly doubt?: number;
  /** Ends of the interval, where they are not 1.96 times the doubt away. */
  readonly low?: number;
  readonly high?: number;
  /** The interval does not reach below this. */
  readonly least?: number;
  /** Only that end of the interval is evidence; the other is what physics allows. */
  readonly bound?: 'lower' | 'upper';
}

/** The result. Withheld where the arithmetic has no finite answer. */
export function stated(name: MetricName, statement: Statement): Result {
  const { value, method, span = null, effects, least = Number.NEGATIVE_INFINITY } = statement;
  const doubt = statement.doubt ?? doubtOf(effects);
  const low = Math.max(least, statement.low ?? value - coverage * doubt);
  const high = statement.high ?? value + coverage * doubt;
  const result = withBudget(bounded(value, metrics[name].unit, low, high, method, span), effects);
  return result.value === null || statement.bound === undefined
    ? result
    : { ...result, bound: statement.bound };
}
