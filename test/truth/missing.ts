/** What each missing channel costs: the same trips judged with one channel left away, and with the outlet alone. */
import { analyse } from '../../daemon/analysis/analyse.ts';
import type { LegResults } from '../../daemon/analysis/verdict.ts';
import { drawTrip, figures } from '../support/accuracy.ts';
import type { Missing } from '../support/independent-records.ts';
import { simulateTrip } from '../support/simulate-trip.ts';
import { recordOf } from '../support/trip-record.ts';
import { summarise } from './statistics.ts';
import { isWideSeed, rowOf, type StudyRow } from './study.ts';
import { pick, table } from './tables.ts';

/** What is left away, by the name printed. */
export const lackings: Readonly<Record<string, Missing>> = {
  nothing: {},
  inlet: { inlet: true },
  tank: { tank: true },
  meter: { meter: true },
  contact: { contact: true },
  'all but the outlet': { inlet: true, tank: true, meter: true, contact: true },
};

export interface MissingRow extends StudyRow {
  readonly lacking: string;
}

export function missingRows(seed: number, rate_Hz: number): MissingRow[] {
  const isWide = isWideSeed(seed);
  const drawn = drawTrip(seed, isWide);
  const simulated = simulateTrip(drawn.spec, { rate_Hz, sensors: drawn.sensors, random: drawn.random });
  return Object.entries(lackings).map(([lacking, missing]) => {
    const record = recordOf(simulated, drawn.spec, drawn.sensors, drawn.knowledge, missing);
    const verdict = analyse(record, { revision: 1, software: 'test', reason: 'truth' }).legs[0];
    const one = { seed, ...drawn, truth: simulated.legs[0].truth, verdict, simulated };
    return { ...rowOf(one, rate_Hz, isWide), lacking };
  });
}

/** Median / 90 % error, coverage and share withheld per figure and missing channel, one table a rate. */
export function missingLines(rows: readonly MissingRow[], rates: readonly number[]): string[] {
  const lines: string[] = [
    'Each cell: median / 90 % error, share inside the interval, and share withheld in brackets where there is any.',
    '',
  ];
  for (const rate_Hz of rates) {
    const here = rows.filter((row) => row.rate_Hz === rate_Hz);
    const cell = (lacking: string, name: keyof LegResults) => {
      const { judged, withheld } = pick(
        here.filter((row) => row.lacking === lacking),
        name,
      );
      const s = summarise(judged, withheld);
      if (s.count === 0) return 'withheld';
      const gone = s.withheld_ratio > 0.005 ? ` (${Math.round(100 * s.withheld_ratio)} %)` : '';
      return `${s.median.toPrecision(2)} / ${s.ninety.toPrecision(2)}, ${Math.round(100 * s.coverage_ratio)} %${gone}`;
    };
    lines.push(`### ${rate_Hz} Hz, ${here.length / Object.keys(lackings).length} trips`, '');
    lines.push(
      ...table(
        ['figure \\ missing', ...Object.keys(lackings)],
        figures.map(({ name, unit }) => [
          `${name}, ${unit}`,
          ...Object.keys(lackings).map((lacking) => cell(lacking, name)),
        ]),
      ),
      '',
    );
  }
  return lines;
}
