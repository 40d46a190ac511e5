/** What the driver plays: blocks as they were recorded, whatever file they come from. */
import { DataError } from '../data-error.ts';
import { type GroupSpec, quality, type RawBlock } from '../driver.ts';
import type { RecordingLineSpec } from '../line-spec.ts';
import type { CsvTable } from './csv-table.ts';

/** Blocks on any clock of their own; groups name channels by the names of the file. */
export interface Recording {
  readonly groups: readonly GroupSpec[];
  /** Rising in time within a group. */
  readonly blocks: readonly RawBlock[];
}

/**
 * Reads a recording that is no CSV: an event folder or its trace. The format belongs to the daemon, so the daemon hands
 * the reader in. Throws DataError.
 */
export type ReadRecording = (path: string) => Recording;

/** Time a block spans at most, in s: as live drivers deliver, so that detection sees the same pieces. */
const blockSpan_s = 0.02;

/** Rows further apart than so many typical spacings have lost rows between them. */
const gapSpacings = 1.5;

/** Columns with a larger share of empty cells were sampled more slowly than the rows: only their own rows count. */
const sparse_ratio = 0.1;

/** The columns that the line's channels ask for, as evenly spaced blocks. Throws DataError for a column that is not there. */
export function recordingOfCsv(table: CsvTable, channels: RecordingLineSpec['channels']): Recording {
  const wanted = [...new Set(channels.map(({ column }) => column))];
  for (const column of wanted) {
    if (table.values.has(column)) continue;
    throw new DataError(
      `no column with numbers is named ${JSON.stringify(column)}; there are: ${table.columns.join(', ')}`,
    );
  }
  const rows = table.time_s.length;
  const isWhole = (column: string): boolean => !table.missing.has(column);
  const isSparse = (column: string): boolean => {
    const missing = table.missing.get(column)?.reduce((sum, mark) => sum + mark, 0) ?? 0;
    return missing > sparse_ratio * rows;
  };
  // Quality is kept per scan of a group: a column with empty cells is alone, so that it makes no other one suspect.
  const sets = [
    wanted.filter(isWhole),
    ...wanted.filter((column) => !isWhole(column)).map((column) => [column]),
  ];
  const groups: GroupSpec[] = [];
  const blocks: RawBlock[] = [];
  for (const columns of sets) {
    if (columns.length === 0) continue;
    const own = isSparse(columns[0])
      ? rowsWithNumber(table, columns[0])
      : Int32Array.from({ length: rows }, (_, i) => i);
    const interval_s = spacing_s(table.time_s, own) ?? table.interval_s;
    const id = isWhole(columns[0]) ? 'recording' : `recording:${columns[0]}`;
    blocks.push(...blocksOf(table, own, columns, interval_s, groups.length));
    groups.push({ id, channels: columns, encoding: 'f64', nominalInterval_s: interval_s });
  }
  return { groups, blocks };
}

function rowsWithNumber(table: CsvTable, column: string): Int32Array {
  const marks = table.missing.get(column);
  const rows: number[] = [];
  for (let row = 0; row < table.time_s.length; row++) if (marks?.[row] !== 1) rows.push(row);
  return Int32Array.from(rows);
}

/** Mean of the ordinary spacings in s: finer than their median where times are rounded. Null for a single row. */
function spacing_s(time_s: Float64Array, rows: Int32Array): number | null {
  const steps = Float64Array.from(rows.subarray(1), (row, i) => time_s[row] - time_s[rows[i]]);
  const typical_s = steps.slice().sort()[steps.length >> 1];
  let sum_s = 0;
  let count = 0;
  for (const step_s of steps) {
    if (step_s > gapSpacings * typical_s || gapSpacings * step_s < typical_s) continue;
    sum_s += step_s;
    count++;
  }
  return count > 0 ? sum_s / count : null;
}

function* blocksOf(
  table: CsvTable,
  rows: Int32Array,
  columns: readonly string[],
  interval_s: number,
  group: number,
): Generator<RawBlock> {
  const { time_s, resolution_s } = table;
  const tolerance_s = Math.max(resolution_s, 0.02 * interval_s);
  const most = Math.max(1, Math.round(blockSpan_s / interval_s));
  let scan = 0;
  for (let from = 0; from < rows.length; ) {
    let to = from + 1;
    const isNext = (): boolean => time_s[rows[to]] - time_s[rows[to - 1]] <= gapSpacings * interval_s;
    while (to < rows.length && to - from < most && isNext()) to++;
    while (to - from > 2 && !isEven(time_s, rows, from, to, tolerance_s)) to = from + ((to - from) >> 1);
    const scans = to - from;
    const before_s = from > 0 ? time_s[rows[from]] - time_s[rows[from - 1]] : interval_s;
    const lostBefore = before_s > gapSpacings * interval_s ? Math.round(before_s / interval_s) - 1 : 0;
    scan += lostBefore;
    yield {
      group,
      scan,
      scans,
      time_s: time_s[rows[from]],
      interval_s: scans > 1 ? (time_s[rows[to - 1]] - time_s[rows[from]]) / (scans - 1) : interval_s,
      halfWidth_s: resolution_s / 2 + (scans > 2 ? tolerance_s - resolution_s : 0),
      raw: valuesOf(table, rows.subarray(from, to), columns),
      quality: qualityOf(table, rows.subarray(from, to), columns),
      lostBefore,
    };
    scan += scans;
    from = to;
  }
}

function isEven(
  time_s: Float64Array,
  rows: Int32Array,
  from: number,
  to: number,
  tolerance_s: number,
): boolean {
  const start_s = time_s[rows[from]];
  const step_s = (time_s[rows[to - 1]] - start_s) / (to - 1 - from);
  for (let i = from + 1; i < to - 1; i++) {
    if (Math.abs(time_s[rows[i]] - start_s - (i - from) * step_s) > tolerance_s) return false;
  }
  return true;
}

function valuesOf(table: CsvTable, rows: Int32Array, columns: readonly string[]): Float64Array {
  const raw = new Float64Array(rows.length * columns.length);
  columns.forEach((column, at) => {
    const values = table.values.get(column);
    if (values === undefined) return;
    for (let i = 0; i < rows.length; i++) raw[i * columns.length + at] = values[rows[i]];
  });
  return raw;
}

/** A cell that kept the value before it makes its scan suspect. */
function qualityOf(table: CsvTable, rows: Int32Array, columns: readonly string[]): Uint8Array {
  const bits = new Uint8Array(rows.length);
  for (const column of columns) {
    const marks = table.missing.get(column);
    if (marks === undefined) continue;
    for (let i = 0; i < rows.length; i++) if (marks[rows[i]] === 1) bits[i] = quality.suspect;
  }
  return bits;
}

/**
 * The channels of the line, under their own ids, of the groups that hold them; scans count from 0. Throws DataError for
 * one that is nowhere.
 */
export function pickChannels(recording: Recording, channels: RecordingLineSpec['channels']): Recording {
  const known = recording.groups.flatMap((group) => group.channels);
  for (const { id, column } of channels) {
    if (!known.includes(column)) {
      throw new DataError(`channel ${id}: the recording has no ${column}; it has ${known.join(', ')}`);
    }
  }
  const groups: GroupSpec[] = [];
  const places = recording.groups.map((group) => {
    const own = channels.filter(({ column }) => group.channels.includes(column));
    if (own.length === 0) return null;
    groups.push({ ...group, channels: own.map(({ id }) => id) });
    const columns = own.map(({ column }) => group.channels.indexOf(column));
    return { group: groups.length - 1, columns, width: group.channels.length };
  });
  const firstScans: number[] = [];
  const blocks = recording.blocks.flatMap((block) => {
    const place = places[block.group];
    if (place === null || place === undefined) return [];
    const { group, columns, width } = place;
    const raw = new (block.raw.constructor as typeof Float64Array)(block.scans * columns.length);
    for (let i = 0; i < raw.length; i++) {
      raw[i] = block.raw[Math.floor(i / columns.length) * width + columns[i % columns.length]];
    }
    firstScans[group] ??= block.scan;
    const first = firstScans[group];
    const lostBefore = block.scan === first ? 0 : block.lostBefore;
    return [{ ...block, group, raw, scan: block.scan - first, lostBefore }];
  });
  return { groups, blocks };
}
