/** A verdict as lines for a terminal. */
import { type MetricGroup, type MetricName, metricNames, metrics } from '../analysis/metrics.ts';
import type { DefinitionUsed, LegVerdict, Measured, Result, Verdict } from '../analysis/verdict.ts';
import { decimalsFor, rounded } from '../report/digits.ts';
import { peopleUnit } from '../report/people-units.ts';

/** Groups in the order of printing: first what the class is judged by. */
const groups: readonly MetricGroup[] = [
  'reverse flow',
  'surge',
  'pressure',
  'time',
  'flow',
  'ringing',
  'load',
];
const printed: readonly MetricName[] = groups.flatMap((group) =>
  metricNames.filter((name) => metrics[name].group === group),
);

/** Several lines, the last one ended. Idle legs take one line. */
export function verdictText(verdict: Verdict): string {
  return verdict.legs.map(legText).join('\n');
}

function legText(leg: LegVerdict): string {
  if (!leg.active) return `Leg ${leg.leg}: no flow before the trip\n`;
  const lines = [
    `Leg ${leg.leg} (valve ${leg.valve}): ${leg.severity.words.toUpperCase()}`,
    `  ${leg.sentence}`,
  ];
  for (const name of printed) {
    const result = leg.results[name];
    // A verdict of older software knows fewer metrics.
    if (result !== undefined) lines.push(`  ${metrics[name].name.padEnd(32)} ${resultText(name, result)}`);
  }
  for (const used of leg.definitions ?? []) lines.push(definitionText(used, leg));
  for (const flag of leg.flags) lines.push(`  ! ${flag.text} [${flag.code}]`);
  return `${lines.join('\n')}\n`;
}

const quantities: Readonly<Record<DefinitionUsed['quantity'], string>> = {
  static: 'static pressure',
  peak: 'peak',
  surge: 'surge',
  reverseVelocity: 'reverse velocity',
  closingTime: 'closing time',
  deceleration: 'deceleration',
};

/** `= surge [peak-over-settled]: 3.81 bar, corrected peak less the settled static`. */
function definitionText({ quantity, option, result: name, words }: DefinitionUsed, leg: LegVerdict): string {
  const result = leg.results[name];
  const value =
    result?.value == null
      ? 'withheld'
      : `${boundText(name, result) ?? writerOf(name, result)(result.value)} ${peopleUnit(name).symbol}`;
  return `  = ${`${quantities[quantity]}:`.padEnd(18)} ${value}, ${words} [${option}]`;
}

/** Writes numbers in the unit that people read, with the digits that the interval justifies, six at most. */
function writerOf(name: MetricName, { low, high }: Measured): (value: number) => string {
  const { factor } = peopleUnit(name);
  const decimals = Math.min(6, decimalsFor((Math.abs(high - low) * factor) / 2, metrics[name].digits));
  return (value) => rounded(value * factor, decimals);
}

/** `>= 1.1` or `<= 0.35`, with two digits that count, where only one end is evidence; null for other numbers. */
function boundText(name: MetricName, { bound, low, high }: Measured): string | null {
  if (bound === undefined) return null;
  const isLower = bound === 'lower' && low > 0;
  const value = (isLower ? low : high) * peopleUnit(name).factor;
  const decimals = Math.min(6, decimalsFor(Math.abs(value) / 20, metrics[name].digits));
  return `${isLower ? '>=' : '<='} ${rounded(value, decimals)}`;
}

function resultText(name: MetricName, result: Result): string {
  if (result.value === null) return `-  ${result.reason}`;
  const show = writerOf(name, result);
  const value = boundText(name, result) ?? show(result.value);
  const window =
    result.from_s === null || result.to_s === null
      ? ''
      : `, ${(result.from_s * 1e3).toFixed(0)} to ${(result.to_s * 1e3).toFixed(0)} ms`;
  const interval = `[${show(result.low)} .. ${show(result.high)}]`;
  return `${value.padStart(9)} ${peopleUnit(name).symbol.padEnd(5)} ${interval.padEnd(22)} ${result.method}${window}`;
}
