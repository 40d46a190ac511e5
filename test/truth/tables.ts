/** The study as text: tables in Markdown, the same on the screen and in figures.md. */
import type { LegResults } from '../../daemon/analysis/verdict.ts';
import { figures } from '../support/accuracy.ts';
import { seeded } from '../support/random-rig.ts';
import { type Column, sharp, sharpMix, softened, softenedMix } from './prototype.ts';
import { bootstrapRatio, type Judged, mixedQuantile, type Summary, summarise } from './statistics.ts';
import type { StudyRow } from './study.ts';

const percent = (share: number) => `${(100 * share).toFixed(1)}`;
const short = (value: number) => (Number.isFinite(value) ? Number(value.toPrecision(3)).toString() : '-');

/** Lines of a Markdown table. */
export function table(heads: readonly string[], rows: readonly (readonly string[])[]): string[] {
  const line = (cells: readonly string[]) => `| ${cells.join(' | ')} |`;
  return [line(heads), line(heads.map((_, k) => (k === 0 ? '---' : '---:'))), ...rows.map(line)];
}

/** Values of one figure, and how many trips withheld it. */
export function pick(
  rows: readonly StudyRow[],
  name: keyof LegResults,
): { readonly judged: readonly Judged[]; readonly withheld: number } {
  const judged: Judged[] = [];
  let withheld = 0;
  for (const row of rows) {
    const one = row.figures[name];
    if (one === null) withheld++;
    else if (one !== undefined) judged.push(one);
  }
  return { judged, withheld };
}

/** Whether a figure that claims 95 % meets its targets; null when there are fewer than 300 of it. */
function meets(summary: Summary): boolean | null {
  if (summary.count < 300) return null;
  return summary.coverage_ratio >= 0.92 && summary.width_ratio <= 1.3;
}

/** One row a figure: errors, bias, withheld, coverage and width. */
export function accuracyTable(rows: readonly StudyRow[]): string[] {
  const cells = figures.map(({ name, unit }) => {
    const { judged, withheld } = pick(rows, name);
    const s = summarise(judged, withheld);
    const verdict = meets(s);
    return [
      `${name}, ${unit}`,
      String(s.count),
      short(s.median),
      short(s.ninety),
      short(s.bias),
      percent(s.withheld_ratio),
      s.count === 0 ? '-' : percent(s.coverage_ratio),
      s.count < 20 ? '-' : s.width_ratio.toFixed(2),
      verdict === null ? '' : verdict ? 'yes' : 'NO',
    ];
  });
  return table(['figure', 'n', 'median', '90 %', 'bias', 'withheld %', 'inside %', 'width', 'meets'], cells);
}

/** Coverage by rate, for the figures that miss over all rates or at one of them. */
export function coverageTable(rows: readonly StudyRow[], rates: readonly number[]): string[] {
  const cells = figures.map(({ name }) => [
    name,
    ...rates.map((rate_Hz) => {
      const { judged, withheld } = pick(
        rows.filter((row) => row.rate_Hz === rate_Hz),
        name,
      );
      const s = summarise(judged, withheld);
      return s.count < 20 ? '-' : `${percent(s.coverage_ratio)} (${s.width_ratio.toFixed(2)}, ${s.count})`;
    }),
  ]);
  return table(['figure: inside % (width, n)', ...rates.map((rate_Hz) => `${rate_Hz} Hz`)], cells);
}

/**
 * Our errors over the prototype's, with the upper end of the one-sided 99 % bootstrap interval: trips under its
 * conditions (ordinary instruments, one slam after the reversal), weighted to its mix of valves.
 */
export function prototypeTable(rows: readonly StudyRow[], rates: readonly number[]): string[] {
  const random = seeded(99);
  const cells: string[][] = [];
  for (const [title, reference, mix] of [
    ['sharp', sharp, sharpMix],
    ['softened', softened, softenedMix],
  ] as const) {
    for (const { name, unit } of figures) {
      const columns = reference[name];
      if (columns === undefined) continue;
      for (const rate_Hz of rates) {
        const pair = columns[Math.min(rate_Hz, 2000) as Column];
        if (pair === undefined) continue;
        const some = rows.filter((row) => row.rate_Hz === rate_Hz && row.isPlain && !row.isWide);
        const strata = Object.entries(mix).map(([kind, share]) => ({
          judged: asPrototype(
            some.filter((row) => row.kind === kind),
            name,
          ),
          share,
        }));
        const count = strata.reduce((sum, { judged }) => sum + judged.length, 0);
        if (count < 10) continue;
        const ours = [0.5, 0.9].map((share) => mixedQuantile(strata, share));
        const upper = [0.5, 0.9].map((share, k) => bootstrapRatio(strata, share, pair[k], random));
        const isMet =
          upper.every((each) => each <= 1.25) && (rate_Hz < 5000 || (ours[0] < pair[0] && ours[1] < pair[1]));
        cells.push([
          `${title}: ${name}, ${unit}`,
          String(rate_Hz),
          String(count),
          ours.map(short).join(' / '),
          `${pair[0]} / ${pair[1]}`,
          ours.map((each, k) => (each / pair[k]).toFixed(2)).join(' / '),
          upper.map((each) => each.toFixed(2)).join(' / '),
          isMet ? 'yes' : 'NO',
        ]);
      }
    }
  }
  return table(
    ['figure', 'Hz', 'n', 'ours: median / 90 %', 'prototype', 'ratio', '99 % upper end', '<= 1.25'],
    cells,
  );
}

/** A figure in the prototype's own definition. */
function asPrototype(rows: readonly StudyRow[], name: keyof LegResults): readonly Judged[] {
  if (name !== 'seating' && name !== 'reversal' && name !== 'surgeRaw') return pick(rows, name).judged;
  return rows.flatMap((row) => row.asPrototype[name] ?? []);
}

/** Wrong classes of severity. */
export function severityLines(rows: readonly StudyRow[]): string[] {
  const known = rows.filter((row) => row.trueSeverity !== null);
  const given = known.filter((row) => row.severity !== 'unknown');
  const wrong = given.filter((row) => row.isOutside);
  const far = given.filter((row) => row.isFarOutside);
  const atLimit = given.filter((row) => row.severity === 'at-limit');
  return [
    `Severity: ${known.length} trips with a seating, ${known.length - given.length} not judged, ${atLimit.length} at a limit;`,
    `wrong class with the truth outside the interval: ${wrong.length} (${percent(wrong.length / Math.max(1, given.length))} %, target 0.5 %), outside twice the interval: ${far.length} (target 0).`,
  ];
}

/** How far out the trips are that an interval does not hold, for the tuning half. */
export function worstSeeds(rows: readonly StudyRow[], name: keyof LegResults, most: number): string[] {
  const out = rows.flatMap((row) => {
    const one = row.figures[name];
    if (one === null || one === undefined || (one.low <= 0 && one.high >= 0)) return [];
    return [
      `${row.seed}@${row.rate_Hz} ${row.kind}${row.isPlain ? '' : '*'}${row.isWide ? 'w' : ''} ${short(one.error)} [${short(one.low)}, ${short(one.high)}]`,
    ];
  });
  return out.slice(0, most);
}
