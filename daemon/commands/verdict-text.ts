/** A verdict as lines for a terminal. */
import type { DefinitionUsed, LegVerdict, Measured, Result, Verdict } from '../analysis/verdict.ts';
import { decimalsFor, rounded } from '../report/digits.ts';

/** Result name -> label, display unit and factor from SI, in the order of printing. */
const rows: readonly (readonly [keyof LegVerdict['results'], string, string, number])[] = [
  ['equivalentReverseVelocity', 'reverse velocity, equivalent', 'm/s', 1],
  ['largestReverseVelocity', 'reverse velocity, largest', 'm/s', 1],
  ['velocityAtSeating', 'reverse velocity, at seating', 'm/s', 1],
  ['inletReverseVelocity', 'reverse velocity, inlet tap', 'm/s', 1],
  ['surge', 'surge over static, corrected', 'bar', 1e-5],
  ['surgeRaw', 'surge over static, raw', 'bar', 1e-5],
  ['surgeOverBefore', 'surge over static before', 'bar', 1e-5],
  ['seatingStep', 'step at seating', 'bar', 1e-5],
  ['sag', 'sag before seating', 'bar', 1e-5],
  ['peak', 'peak, corrected', 'bar', 1e-5],
  ['peakRaw', 'peak, raw', 'bar', 1e-5],
  ['captureFraction', 'capture fraction', '%', 100],
  ['minimum', 'minimum', 'bar', 1e-5],
  ['staticBefore', 'static before', 'bar', 1e-5],
  ['staticAfter', 'static after', 'bar', 1e-5],
  ['closingTime', 'closing time (trip to seating)', 'ms', 1e3],
  ['stopTime', 'trip to flow reversal', 'ms', 1e3],
  ['reverseFlowTime', 'reversal to seating', 'ms', 1e3],
  ['discTravelTime', 'disc travel', 'ms', 1e3],
  ['approachVelocity', 'velocity before the trip', 'm/s', 1],
  ['decelerationAtReversal', 'deceleration at reversal', 'm/s²', 1],
  ['decelerationMean', 'deceleration, mean', 'm/s²', 1],
  ['decelerationMeter', 'deceleration, flow meter', 'm/s²', 1],
  ['waveSpeed', 'wave speed', 'm/s', 1],
  ['anchorLoad', 'largest load on the anchor', 'kN', 1e-3],
  ['ratingMargin', 'margin to the rating', 'bar', 1e-5],
];

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
  for (const [name, label, unit, factor] of rows) {
    lines.push(`  ${label.padEnd(32)} ${resultText(leg.results[name], unit, factor)}`);
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
  const row = rows.find(([key]) => key === name);
  const result = leg.results[name];
  const value =
    row === undefined || result.value === null
      ? 'withheld'
      : `${writerOf(result, row[3])(result.value)} ${row[2]}`;
  return `  = ${`${quantities[quantity]}:`.padEnd(18)} ${value}, ${words} [${option}]`;
}

/** Writes numbers in the unit that `factor` leads to, with the digits that the interval of a result justifies, six at most. */
function writerOf({ low, high }: Measured, factor: number): (value: number) => string {
  const decimals = Math.min(6, decimalsFor((Math.abs(high - low) * factor) / 2, 3));
  return (value) => rounded(value * factor, decimals);
}

function resultText(result: Result, unit: string, factor: number): string {
  if (result.value === null) return `-  ${result.reason}`;
  const show = writerOf(result, factor);
  const window =
    result.from_s === null || result.to_s === null
      ? ''
      : `, ${(result.from_s * 1e3).toFixed(0)} to ${(result.to_s * 1e3).toFixed(0)} ms`;
  const interval = `[${show(result.low)} .. ${show(result.high)}]`;
  return `${show(result.value).padStart(9)} ${unit.padEnd(5)} ${interval.padEnd(22)} ${result.method}${window}`;
}
