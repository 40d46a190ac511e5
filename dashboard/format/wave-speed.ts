/** The wave speed of a leg over the days, in words and as a scale. */
import type { WaveSpeedDay, WaveSpeedView } from '../../daemon/web/wire.ts';
import { niceTicks } from '../plot/ticks.ts';
import { decimalsFor, formatNumber, thinSpace, withUnit } from './number.ts';
import { displayUnit, type UnitSystem } from './units.ts';

/** Days drawn at most; older ones stay in the table. */
export const daysDrawn = 90;

/** Where a day's marker begins to tell of a shift. */
export const sideWords: Readonly<Record<'above' | 'below', string>> = {
  above: 'shifted up',
  below: 'shifted down',
};

/** Value and interval of a day with the digits that the interval justifies. */
export function dayWords(
  day: WaveSpeedDay,
  system: UnitSystem,
): { readonly value: string; readonly interval: string } {
  const { factor, symbol } = displayUnit('m/s', system);
  const decimals = decimalsFor(((day.high_mps - day.low_mps) * factor) / 2, 0);
  const text = (value_mps: number): string => formatNumber(value_mps * factor, decimals);
  return {
    value: withUnit(text(day.median_mps), symbol),
    interval: `[${text(day.low_mps)} .. ${text(day.high_mps)}]`,
  };
}

/** Free gas as parts in a million of the volume, two digits: `34 ppm [0 .. 210]`. */
export function gasWords({ freeGas_ratio, freeGasLow_ratio, freeGasHigh_ratio }: WaveSpeedDay): string {
  if (freeGas_ratio === null) return 'no mixture of water and air is so slow';
  const ends =
    freeGasHigh_ratio === null ? '' : ` [${ppm(freeGasLow_ratio ?? 0)} .. ${ppm(freeGasHigh_ratio)}]`;
  return `${ppm(freeGas_ratio)}${thinSpace}ppm${ends}`;
}

function ppm(ratio: number): string {
  return formatNumber(Number((ratio * 1e6).toPrecision(2)), 0);
}

/** The chart for someone who cannot see it. */
export function chartSentence({ leg, days, chart, baselineDays }: WaveSpeedView, system: UnitSystem): string {
  const last = days.at(-1);
  if (last === undefined) return `Leg ${leg} has no wave speed yet.`;
  const { value, interval } = dayWords(last, system);
  const shifts = days.filter(({ side }) => side === 'above' || side === 'below').length;
  const state =
    chart === null
      ? `The control chart begins after ${baselineDays} days, ${days.length} are there.`
      : shifts === 0
        ? 'No day signals a shift.'
        : `${shifts} of ${days.length} days signal a shift.`;
  return `Wave speed of leg ${leg}, ${days.length} days. Last: ${value} ${interval} on ${last.day}. ${state}`;
}

export interface Scale {
  readonly low: number;
  readonly high: number;
  readonly ticks: readonly number[];
}

/** A scale in shown units that takes in every day, its interval, the expected speed and the limits. */
export function speedScale({ days, chart }: WaveSpeedView, factor: number): Scale {
  const values = days.flatMap(({ low_mps, high_mps, expected_mps }) => [low_mps, high_mps, expected_mps]);
  if (chart !== null) values.push(chart.ewmaLow_mps, chart.ewmaHigh_mps);
  const low = Math.min(...values) * factor;
  const high = Math.max(...values) * factor;
  const ticks = niceTicks(low, high, 5, 1);
  return { low: ticks[0]!, high: ticks.at(-1)!, ticks };
}
