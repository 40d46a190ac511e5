/** A measured result as texts. */
import { type Metric, metrics } from '../../daemon/analysis/metrics.ts';
import type { Measured, Result } from '../../daemon/web/wire.ts';
import { decimalsFor, formatNumber, withUnit } from './number.ts';
import { type DisplayUnit, displayUnit, toDisplay, type UnitSystem } from './units.ts';

export interface ResultText {
  readonly value: string;
  readonly unit: string;
  readonly low: string;
  readonly high: string;
}

/** Row of the table; none for a number that is no metric. */
function rowOf(key: string): Metric | undefined {
  return (metrics as Readonly<Record<string, Metric | undefined>>)[key];
}

export function unitOf(key: string, si: string, system: UnitSystem): DisplayUnit {
  return displayUnit(rowOf(key)?.isShare === true && si === '1' ? 'percent' : si, system);
}

/** The texts of a number and its interval, all with the digits that the interval justifies. */
export function resultText(key: string, result: Measured, system: UnitSystem): ResultText {
  const shown = unitOf(key, result.unit, system);
  const decimals = decimalsFor(
    Math.abs((result.high - result.low) * shown.factor) / 2,
    rowOf(key)?.digits ?? 0,
  );
  const text = (value: number): string => formatNumber(toDisplay(value, shown), decimals);
  return {
    value: boundText(result, shown) ?? text(result.value),
    unit: shown.symbol,
    low: text(result.low),
    high: text(result.high),
  };
}

/** `≥ 1.1` or `≤ 0.35`, with two digits that count, where missing samples leave only one end as evidence; else null. */
function boundText({ bound, low, high }: Measured, shown: DisplayUnit): string | null {
  if (bound === undefined) return null;
  const isLower = bound === 'lower' && low > 0;
  const value = toDisplay(isLower ? low : high, shown);
  return `${isLower ? '≥' : '≤'} ${formatNumber(value, decimalsFor(Math.abs(value) / 20, 0))}`;
}

/** Number and unit in one string; a withheld one says `withheld`. */
export function resultPhrase(key: string, result: Result, system: UnitSystem): string {
  if (result.value === null) return 'withheld';
  const text = resultText(key, result, system);
  return withUnit(text.value, text.unit);
}
