/** What a CSV looks like: delimiter, decimal mark, header, time column; found from its first rows or taken as given. */
import { DataError } from '../data-error.ts';
import type { CsvSpec } from '../line-spec.ts';
import { parseInstant, parseText } from './csv-cell.ts';

/** A row as text, with the number of its first line in the file, from 1. */
export interface TextRow {
  readonly line: number;
  readonly text: string;
}

export interface CsvLayout {
  /** One character; a blank stands for any run of blanks. */
  readonly delimiter: string;
  readonly hasDecimalComma: boolean;
  /** Unique names, in file order. */
  readonly names: readonly string[];
  /** As written, empty when not known. */
  readonly units: readonly string[];
  /** Position of the time column; -1: none, the rate counts. */
  readonly timeColumn: number;
  /** Position of a column of dates that belong to the times of day in the time column; -1: none. */
  readonly dateColumn: number;
  /** What one unit of the time column is, in s. */
  readonly timeUnit_s: number;
  /** Most digits behind the decimal mark of a time. */
  readonly timeDecimals: number;
  /** Rows in front of the first data row that hold neither names nor units. */
  readonly preamble: readonly string[];
  /** Rows of the header, comment lines not counted. */
  readonly headerRows: number;
}

/** In the order of preference where two explain a file equally well. */
const delimiters = [';', '\t', '|', ',', ' '] as const;

/** Rows in a line that must look like data before the first of them is taken for it. */
const firmRows = 3;

/** No recording has more; rubbish may. */
const mostColumns = 1024;

/** What programs write where a number is missing. */
const noNumber = /^(nan|n\/?a|null|nil|none|#.*|-+|[+-]?inf(inity)?)$/i;

const timeNames =
  /^(time|t|zeit|temps|tiempo|tempo|timestamp|date ?time|datum|date|elapsed|clock|uhrzeit)\b/i;

const timeUnits_s: ReadonlyMap<string, number> = new Map([
  ['s', 1],
  ['sec', 1],
  ['second', 1],
  ['seconds', 1],
  ['ms', 1e-3],
  ['msec', 1e-3],
  ['us', 1e-6],
  ['µs', 1e-6],
  ['μs', 1e-6],
  ['ns', 1e-9],
  ['min', 60],
  ['h', 3600],
]);

/** Units taken from the end of a name; others are taken from brackets and unit rows only. */
const writtenUnits: ReadonlySet<string> = new Set([
  ...[
    'Pa',
    'kPa',
    'MPa',
    'bar',
    'mbar',
    'psi',
    'mps',
    'm3ps',
    'gpm',
    'm',
    'mm',
    'K',
    'degC',
    'degF',
    'V',
    'mV',
    'mA',
    'Hz',
  ],
]);

/** Cells of a row: quotes taken off, doubled quotes made single, blanks round them removed. */
export function splitRow(text: string, delimiter: string): string[] {
  if (delimiter === ' ') return text.trim().split(/\s+/);
  if (!text.includes('"')) return text.split(delimiter).map((cell) => cell.trim());
  const cells: string[] = [];
  let cell = '';
  let isQuoted = false;
  for (let i = 0; i < text.length; i++) {
    const character = text[i];
    if (character === '"') {
      if (isQuoted && text[i + 1] === '"') cell += text[i++];
      else isQuoted = !isQuoted;
    } else if (character === delimiter && !isQuoted) {
      cells.push(cell.trim());
      cell = '';
    } else {
      cell += character;
    }
  }
  cells.push(cell.trim());
  return cells;
}

/** Finds the layout from the first rows (comments and empty lines left out). Throws DataError with what would settle a doubt. */
export function findLayout(rows: readonly TextRow[], spec: CsvSpec): CsvLayout {
  if (rows.length === 0) throw new DataError('the file has no rows');
  const delimiter = spec.delimiter ?? findDelimiter(rows, spec.decimalComma);
  const cells = dropTail(rows.map(({ text }) => splitRow(text, delimiter)));
  const hasDecimalComma = spec.decimalComma ?? findDecimalComma(cells, delimiter);
  const headerRows = spec.headerRows ?? findFirstData(cells, hasDecimalComma);
  if (headerRows < 0 || headerRows >= rows.length) {
    throw new DataError(
      `line ${rows[0].line}: no row of numbers among the first ${rows.length} rows, with ${describe(delimiter)} between cells and a decimal ${hasDecimalComma ? 'comma' : 'point'}; the first is ${JSON.stringify(rows[0].text.slice(0, 60))}`,
    );
  }
  const width = cells[headerRows].length;
  if (width > mostColumns)
    throw new DataError(`${width} columns are too many, at most ${mostColumns} can be read`);
  // Names stand in the last header row if it is as wide as the data; or in the one before, and units in the last.
  const isWide = (row: number): boolean => row >= 0 && cells[row].length === width;
  const hasUnitRow = isWide(headerRows - 1) && isWide(headerRows - 2) && cells[headerRows - 1].some(isUnit);
  const namesAt = headerRows - (hasUnitRow ? 2 : isWide(headerRows - 1) ? 1 : 0);
  const hasNames = namesAt < headerRows;
  const heads = hasNames ? cells[namesAt] : cells[headerRows].map((_, i) => `column${i + 1}`);
  const unitRow = hasUnitRow ? cells[headerRows - 1] : [];
  const units = heads.map((head, i) => stripBrackets(unitRow[i] ?? '') || unitIn(head));
  const names = unique(heads.map((head, i) => head || `column${i + 1}`));
  const { timeColumn, dateColumn } = findTimeColumns(cells.slice(headerRows), names, spec);
  return {
    delimiter,
    hasDecimalComma,
    names,
    units,
    timeColumn,
    dateColumn,
    timeUnit_s: timeColumn < 0 ? 1 : timeUnit_s(units[timeColumn], cells[headerRows][timeColumn]),
    timeDecimals: Math.max(
      0,
      ...cells.slice(headerRows).map((row) => parseInstant(row[timeColumn] ?? '')?.decimals ?? 0),
    ),
    preamble: rows.slice(0, hasNames ? namesAt : headerRows).map(({ text }) => text),
    headerRows,
  };
}

/** `p_outlet [bar]`, `time (ms)`, `Zeit/s`, `time_ms`, `v_m_per_s`: the unit, or nothing. */
function unitIn(head: string): string {
  const bracketed = /[[(]([^\])]*)[\])]\s*$/.exec(head)?.[1];
  if (bracketed !== undefined) return bracketed.trim();
  const ratio = /[_ ]([a-z]+\d?)_per_([a-z]+\d?)$/i.exec(head);
  if (ratio !== null) return `${ratio[1]}/${ratio[2]}`;
  const tail = /[_/ ]([^_/ ]+)$/.exec(head)?.[1] ?? '';
  return timeUnits_s.has(tail) || writtenUnits.has(tail) ? tail : '';
}

function timeUnit_s(unit: string, first: string): number {
  const given_s = timeUnits_s.get(unit.toLowerCase());
  if (given_s !== undefined) return given_s;
  // Counted from 1970 the size decides the unit: 1e9 s, 1e12 ms, 1e15 us, 1e18 ns lie between 2001 and 2286.
  const size = Math.abs(parseText(first.replace(',', '.'), false));
  return size > 1e17 ? 1e-9 : size > 1e14 ? 1e-6 : size > 1e11 ? 1e-3 : 1;
}

function findDelimiter(rows: readonly TextRow[], decimalComma: boolean | null): string {
  // The last half: headers stand in the first.
  const sample = rows.slice(rows.length >> 1);
  let best = ',';
  let bestScore = 0;
  for (const delimiter of delimiters) {
    if (delimiter === ',' && decimalComma === true) continue;
    const split = sample.map(({ text }) => splitRow(text, delimiter));
    const width = commonWidth(split);
    if (width < 2) continue;
    const count = split.filter(({ length }) => length === width).length;
    const filled = split.flat().filter((cell) => cell !== '');
    const numbers = filled.filter((cell) => isNumberish(cell, delimiter !== ',')).length;
    const score = (count / split.length) * (numbers / Math.max(1, filled.length));
    if (score > bestScore + 1e-9) {
      best = delimiter;
      bestScore = score;
    }
  }
  return best;
}

function isNumberish(cell: string, mayHaveComma: boolean): boolean {
  return (
    !Number.isNaN(parseText(cell, false)) ||
    (mayHaveComma && !Number.isNaN(parseText(cell, true))) ||
    parseInstant(cell) !== null
  );
}

function findDecimalComma(cells: readonly string[][], delimiter: string): boolean {
  if (delimiter === ',') return false;
  let commas = 0;
  let points = 0;
  for (const cell of cells.flat()) {
    if (/^[+-]?\d*,\d+$/.test(cell)) commas++;
    else if (/^[+-]?\d*\.\d+$/.test(cell)) points++;
  }
  return commas > points;
}

function stripBrackets(cell: string): string {
  return cell.replace(/^[[(]|[\])]$/g, '').trim();
}

/** A cell that is a unit alone: `[bar]`, `bar`. A name with its unit, `outlet [bar]`, is none. */
function isUnit(cell: string): boolean {
  const unit = stripBrackets(cell);
  return /^[[(].*[\])]$/.test(cell) || timeUnits_s.has(unit.toLowerCase()) || writtenUnits.has(unit);
}

/** Takes off the empty cell behind a delimiter that ends the rows, unless some row has something there. */
function dropTail(cells: string[][]): string[][] {
  const width = commonWidth(cells.slice(cells.length >> 1));
  const hasTail = width > 1 && cells.every((row) => row.length !== width || row[width - 1] === '');
  return hasTail ? cells.map((row) => (row.length === width ? row.slice(0, -1) : row)) : cells;
}

/**
 * The first row of data, -1 when there is none. Best evidence is a row of words above several rows of data: a preamble may
 * hold single rows of a name and a number. Weaker, in turn: data right under words or at the top, some rows of data, one row.
 */
function findFirstData(cells: readonly string[][], hasDecimalComma: boolean): number {
  const width = commonWidth(cells.slice(cells.length >> 1));
  const isData = cells.map((row) => row.length === width && looksLikeData(row, hasDecimalComma));
  const isFirm = isData.map((is, i) => is && isData.slice(i, i + firmRows).every(Boolean));
  const isWords = cells.map(
    (row) =>
      row.length === width &&
      row.every((cell) => cell !== '' && Number.isNaN(parseText(cell, hasDecimalComma))),
  );
  const isUnderWords = isData.map((_, i) => isWords[i - 1] || (cells[i - 1]?.some(isUnit) && isWords[i - 2]));
  const ranks = [
    isData.findIndex((_, i) => isFirm[i] && isUnderWords[i]),
    isData.findIndex((is, i) => is && (i === 0 || isUnderWords[i])),
    isFirm.indexOf(true),
    isData.indexOf(true),
  ];
  return ranks.find((row) => row >= 0) ?? -1;
}

function commonWidth(rows: readonly string[][]): number {
  const widths = new Map<number, number>();
  for (const { length } of rows) widths.set(length, (widths.get(length) ?? 0) + 1);
  return [...widths].reduce((a, b) => (b[1] > a[1] ? b : a))[0];
}

function looksLikeData(row: readonly string[], hasDecimalComma: boolean): boolean {
  const filled = row.filter((cell) => cell !== '' && !noNumber.test(cell));
  const numbers = filled.filter(
    (cell) => !Number.isNaN(parseText(cell, hasDecimalComma)) || parseInstant(cell) !== null,
  );
  return numbers.length > 0 && numbers.length * 2 >= filled.length;
}

/** A date alone, in any order that a time cell may have. */
const dateAlone = /^(\d{4}-\d\d-\d\d|\d{1,2}\.\d{1,2}\.\d{4}|\d{1,2}\/\d{1,2}\/\d{4})$/;

/** Dates and times of day may stand in two columns. Dates that cannot be read with their times are left out: midnight is seen without. */
function findTimeColumns(
  data: readonly string[][],
  names: readonly string[],
  spec: CsvSpec,
): Pick<CsvLayout, 'timeColumn' | 'dateColumn'> {
  const all = (column: number, is: (cell: string) => boolean) => {
    const filled = data.map((row) => row[column] ?? '').filter((cell) => cell !== '');
    return filled.length > 0 && filled.every(is);
  };
  const dates = names.findIndex((_, column) => all(column, (cell) => dateAlone.test(cell)));
  const clocks = names.findIndex((_, column) =>
    all(column, (cell) => parseInstant(cell)?.isTimeOfDay === true),
  );
  const isMeant = spec.timeColumn === null || [names[dates], names[clocks]].includes(spec.timeColumn);
  if (dates < 0 || clocks < 0 || !isMeant)
    return { timeColumn: findTimeColumn(data, names, spec), dateColumn: -1 };
  const both = data.map((row) => parseInstant(`${row[dates]} ${row[clocks]}`));
  return { timeColumn: clocks, dateColumn: both.every((at) => at !== null) ? dates : -1 };
}

function findTimeColumn(data: readonly string[][], names: readonly string[], spec: CsvSpec): number {
  if (spec.timeColumn !== null) {
    const at = names.indexOf(spec.timeColumn);
    if (at < 0) {
      throw new DataError(
        `no column is named ${JSON.stringify(spec.timeColumn)}; there are: ${names.join(', ')}`,
      );
    }
    return at;
  }
  const named = names.findIndex((name) => timeNames.test(name.replaceAll('_', ' ')));
  if (named >= 0) return named;
  if (spec.rate_Hz !== null) return -1;
  // Without a name, a first column that rises evenly, by something else than a row number, is time.
  const times = data
    .map((row) => parseInstant(row[0] ?? ''))
    .map((at) => (at ? Number(at.whole) + at.fraction : Number.NaN));
  const steps = times.slice(1).map((time, i) => time - times[i]);
  const typical = steps.toSorted((a, b) => a - b)[steps.length >> 1];
  if (
    steps.length > 0 &&
    typical > 0 &&
    typical !== 1 &&
    steps.every((step) => step > 0 && step < 10 * typical)
  ) {
    return 0;
  }
  throw new DataError(
    `no time column was found among ${names.join(', ')}: name the column with the time in seconds, or give the rate in Hz`,
  );
}

function unique(names: readonly string[]): string[] {
  const seen = new Map<string, number>();
  return names.map((name) => {
    const count = (seen.get(name) ?? 0) + 1;
    seen.set(name, count);
    return count === 1 ? name : `${name} (${count})`;
  });
}

function describe(delimiter: string): string {
  return delimiter === '\t' ? 'tabs' : delimiter === ' ' ? 'blanks' : `"${delimiter}"`;
}
