/**
 * Accuracy of the analysis over hold-out random trips at five rates: median and 90 % errors beside those of an earlier
 * prototype on rigs of the same description (its table; "-" where it gave none), and the share inside the intervals.
 */
import type { LegResults } from '../../daemon/analysis/verdict.ts';
import { type Case, figures, isPlain, isSoftenedKind, judgeTrip, statisticOf } from '../support/accuracy.ts';
import type { BenchRow } from './row.ts';

/** Seeds below 2000 were looked at while the constants were found; from here on they were not. */
const firstSeed = 3000;
const trips = 60;

/** Median / 90 % of the prototype's errors, sharp closures, at 100 Hz, 500 Hz, 1 kHz and 2 kHz. */
const prototype: Partial<Record<keyof LegResults, readonly (readonly [number, number] | null)[]>> = {
  trip: [
    [2.8, 6],
    [2.0, 4.0],
    [2.2, 3.3],
    [2.1, 3.3],
  ],
  reversal: [
    [2.7, 7.6],
    [1.6, 3.2],
    [1.6, 2.8],
    [1.5, 2.5],
  ],
  largestReverseVelocity: [
    [35, 95],
    [13, 31],
    [11, 23],
    [14, 25],
  ],
  velocityAtSeating: [null, [9, 22], [7, 22], [9, 23]],
  staticAfter: [
    [13, 66],
    [4, 24],
    [3.5, 22],
    [3, 19],
  ],
  surgeRaw: [
    [18, 41],
    [5, 12],
    [3.4, 7.8],
    [2.7, 5.9],
  ],
  surge: [
    [9, 28],
    [2.5, 5.4],
    [1.5, 3.3],
    [1.3, 2.9],
  ],
  decelerationMean: [
    [1.2, 6.9],
    [0.5, 1.3],
    [0.4, 0.9],
    [0.3, 0.8],
  ],
  decelerationMeter: [
    [2.4, 6.8],
    [2.1, 5.3],
    [2.1, 4.6],
    [1.6, 4.3],
  ],
  decelerationAtReversal: [
    [9, 85],
    [8, 16],
    [8, 16],
    [8, 15],
  ],
  waveSpeed: [
    [1.8, 3.6],
    [2.0, 3.6],
    [2.0, 3.8],
    [2.0, 3.6],
  ],
};

/** One row a rate and figure; about a minute. */
export async function bench(report: (row: BenchRow) => void): Promise<void> {
  for (const [column, rate_Hz] of [100, 500, 1000, 2000, 5000].entries()) {
    const cases: Case[] = [];
    for (let k = 0; k < trips; k++) cases.push(judgeTrip(firstSeed + k, rate_Hz));
    const plain = cases.filter(isPlain);
    rows(
      report,
      `${rate_Hz} Hz sharp`,
      plain.filter((one) => !isSoftenedKind(one)),
      column,
    );
    rows(report, `${rate_Hz} Hz softened`, plain.filter(isSoftenedKind), null);
  }
}

function rows(
  report: (row: BenchRow) => void,
  title: string,
  cases: readonly Case[],
  column: number | null,
): void {
  for (const { name, scale, isRelative, unit } of figures) {
    const statistic = statisticOf(cases, name, isRelative);
    if (statistic.count === 0) continue;
    const [median, ninety] = [statistic.median * scale, statistic.ninety * scale];
    const beside = column === null ? null : (prototype[name]?.[Math.min(column, 3)] ?? null);
    report({
      name: `${title} ${name}`,
      figure: Number(median.toPrecision(3)),
      unit,
      target: beside === null ? '-' : `<= ${beside[0]}`,
      meets: beside === null || median <= beside[0],
      note: `90 %: ${ninety.toPrecision(3)}${beside === null ? '' : ` (prototype ${beside[1]})`}; ${Math.round(100 * statistic.inside)} % of ${statistic.count} inside their intervals, ${statistic.withheld} withheld`,
    });
  }
}
