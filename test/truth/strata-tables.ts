/** The strata as text: every cell, what misses, the classes; the same on the screen and in figures.md. */
import { figures } from '../support/accuracy.ts';
import { kinds, softenedKinds } from './rig-in-error.ts';
import type { RowFile } from './row-file.ts';
import { type Judged, quantile } from './statistics.ts';
import {
  type Cell,
  type ClassShares,
  cellsOf,
  classShares,
  exceptionOf,
  exceptions,
  leastCount,
  widestCell,
  widestPooled,
} from './strata.ts';
import { table } from './tables.ts';
import type { TripRow } from './trip-rows.ts';

const short = (value: number) => (Number.isFinite(value) ? Number(value.toPrecision(3)).toString() : '-');

/** The study's verdict on the analysis. */
export interface StrataReport {
  readonly lines: readonly string[];
  /** One line a missed target; empty: all met. */
  readonly misses: readonly string[];
}

const nameOf = ({ metric, kind, rate_Hz }: Cell) =>
  `${metric}, ${kind}${rate_Hz === null ? ', all rates' : `, ${rate_Hz} Hz`}`;

/** Targets of the ordinary instruments, cell by cell. */
export function strataReport({ head, rows }: RowFile): StrataReport {
  const cells = cellsOf(rows, head.rates);
  const classes = classShares(rows);
  const judged = cells.filter(({ count }) => count >= leastCount);
  const thin = cells.filter(({ count, rate_Hz }) => count < leastCount && rate_Hz !== null);
  const misses = [
    ...judged.flatMap((cell) => cell.misses.map((miss) => `${nameOf(cell)} (n ${cell.count}): ${miss}`)),
    ...classes.flatMap(({ name, misses }) => misses.map((miss) => `severity, ${name}: ${miss}`)),
  ];
  const single = judged.filter(({ rate_Hz }) => rate_Hz !== null);
  const counts = single.map(({ count }) => count).sort((a, b) => a - b);
  return {
    misses,
    lines: [
      `${single.length} cells of ${leastCount} or more figures (smallest ${counts[0] ?? 0}, median ${quantile(counts, 0.5).toFixed(0)}): ${single.filter((cell) => cell.misses.length > 0).length} miss a target, ` +
        `${single.filter(({ coverage }) => coverage < 0.92).length} are below 92 %, ${single.filter(({ width }) => width > widestCell).length} wider than ${widestCell}; ` +
        `${thin.length} cells have fewer than ${leastCount} figures and are not judged.`,
      '',
      'Each cell: inside %, width over what is needed, n; **bold** misses a target, - has fewer than 20 figures. Pooled: width at most 1.3.',
      '',
      ...cellTable(cells, head.rates),
      '',
      ...classTable(classes),
      '',
      ...(exceptions.length === 0 ? [] : ['Cells that may be wider, and why:', '', ...exceptionLines(), '']),
      ...(misses.length === 0
        ? ['Every target is met.']
        : [`${misses.length} targets missed:`, '', ...misses.map((miss) => `- ${miss}`)]),
    ],
  };
}

function exceptionLines(): string[] {
  return exceptions.map(
    ({ metric, kind, rate_Hz, reason }) =>
      `- ${metric}${kind === undefined ? '' : `, ${kind}`}${rate_Hz === undefined ? '' : `, ${rate_Hz} Hz`}: ${reason}`,
  );
}

function cellTable(cells: readonly Cell[], rates: readonly number[]): string[] {
  const text = (cell: Cell | undefined) => {
    if (cell === undefined || cell.count < 20) return '-';
    const words = `${(100 * cell.coverage).toFixed(1)}, ${cell.width.toFixed(2)}, ${cell.count}`;
    const isExcepted = cell.width > widestCell && exceptionOf(cell) !== null;
    return cell.misses.length > 0 ? `**${words}**` : `${words}${isExcepted ? ' (named)' : ''}`;
  };
  const rows = figures.flatMap(({ name }) =>
    [...kinds, 'sharp' as const, 'softened' as const].map((kind) => {
      const here = cells.filter((cell) => cell.metric === name && cell.kind === kind);
      const pooled = here.find(({ rate_Hz }) => rate_Hz === null);
      return [
        `${name}, ${kind}`,
        ...rates.map((rate_Hz) => text(here.find((cell) => cell.rate_Hz === rate_Hz))),
        text(pooled),
      ];
    }),
  );
  const filled = rows.filter((cells) => cells.slice(1).some((cell) => cell !== '-'));
  return table(
    ['metric, valve', ...rates.map((rate_Hz) => `${rate_Hz} Hz`), `pooled (<= ${widestPooled})`],
    filled.map(([name, ...rest]) => [name, ...rest.map((cell) => (cell === '-' ? '' : cell))]),
  );
}

function classTable(classes: readonly ClassShares[]): string[] {
  const percent = (count: number, of: number) => (of === 0 ? '-' : ((100 * count) / of).toFixed(1));
  return [
    'Severity over the trips with 8 or more samples on the plateau, against the velocity that the valve really stopped (impulse of its outlet face over one return of the wave):',
    '',
    ...table(
      ['valve', 'trips', 'unknown %', 'at the limit %', 'wrong class %', 'wrong beyond twice the interval'],
      classes.map(({ name, trips, unknown, atLimit, wrong, farOff, misses }) => [
        name,
        String(trips),
        misses.length > 0 ? `**${percent(unknown, trips)}**` : percent(unknown, trips),
        percent(atLimit, trips),
        percent(wrong, trips),
        String(farOff),
      ]),
    ),
  ];
}

/** Sharp and softened side by side, without targets: for instruments that the analysis cannot identify. */
export function reportedTable(rows: readonly TripRow[]): string[] {
  const of = (name: (typeof figures)[number]['name'], isSoftened: boolean) => {
    const picked = rows.flatMap((row) => {
      const figure = row.figures[name];
      return softenedKinds.has(row.kind) === isSoftened && figure !== undefined ? [figure] : [];
    });
    const judged = picked.filter((figure): figure is Judged => figure !== null);
    const sizes = judged.map(({ error }) => Math.abs(error)).sort((a, b) => a - b);
    const inside = judged.filter(({ low, high }) => low <= 0 && high >= 0).length;
    if (judged.length < 20) return '-';
    return `${((100 * inside) / judged.length).toFixed(1)} %, ${short(quantile(sizes, 0.5))} / ${short(quantile(sizes, 0.9))}, ${judged.length}`;
  };
  return table(
    ['figure', 'sharp: inside, median / 90 % error, n', 'softened'],
    figures.map(({ name, unit }) => [`${name}, ${unit}`, of(name, false), of(name, true)]),
  );
}
