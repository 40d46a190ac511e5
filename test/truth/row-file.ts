/** Rows of a run in a file, one JSON line a rig, so that a run that was cut can go on and a table can be made of a part of it. */
import { appendFileSync, existsSync, readFileSync } from 'node:fs';
import type { InstrumentSet } from './rig-in-error.ts';
import type { TripRow } from './trip-rows.ts';

/** What the rows belong to: the first line. */
export interface RowHead {
  readonly first: number;
  readonly half: 'tuning' | 'hold-out';
  readonly instruments: InstrumentSet;
  readonly rates: readonly number[];
  /** Of `analysisNow`. */
  readonly analysis: string;
  /** Of the repository, for print. */
  readonly revision: string;
  readonly day: string;
}

export interface RowFile {
  readonly head: RowHead;
  /** Last seed that was judged; `first - 1` when none was. */
  readonly last: number;
  readonly rows: readonly TripRow[];
}

/** Null when there is no such file. A last line that was cut off is left out. */
export function readRows(file: string): RowFile | null {
  if (!existsSync(file)) return null;
  const lines = readFileSync(file, 'utf8').split('\n');
  // The last piece is empty, or a line that was cut off.
  lines.pop();
  const [begin, ...rest] = lines;
  if (begin === undefined) return null;
  const head = JSON.parse(begin) as RowHead;
  const rigs = rest.map((line) => JSON.parse(line) as { seed: number; rows: TripRow[] });
  return { head, last: rigs.at(-1)?.seed ?? head.first - 1, rows: rigs.flatMap(({ rows }) => rows) };
}

export function beginRows(file: string, head: RowHead): void {
  appendFileSync(file, `${JSON.stringify(head)}\n`);
}

export function addRig(file: string, seed: number, rows: readonly TripRow[]): void {
  appendFileSync(file, `${JSON.stringify({ seed, rows })}\n`);
}
