/** The study of the intervals as a command: draws or continues a set of seeds, keeps its rows, prints its strata. */
import { execFileSync } from 'node:child_process';
import { mkdtempSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { analysisNow, burnt, enter, freshSeed, readLedger } from './ledger.ts';
import { runJobs } from './pool.ts';
import type { InstrumentSet } from './rig-in-error.ts';
import { addRig, beginRows, type RowFile, type RowHead, readRows } from './row-file.ts';
import { reportedTable, type StrataReport, strataReport } from './strata-tables.ts';
import type { TripRow } from './trip-rows.ts';

/** First seeds of the halves. */
const tuningFrom = 1_000_000;
const holdOutFrom = 2_000_000;

export interface StrataWish {
  readonly rigs: number;
  readonly rates: readonly number[];
  readonly half: 'tuning' | 'hold-out';
  readonly instruments: InstrumentSet;
  readonly workers: number;
  /** First seed; null: the usual one of tuning, the next that nobody has looked at of a hold-out. */
  readonly seed: number | null;
  /** File of the rows; null: a temporary one. */
  readonly rows: string | null;
  /** Print what the file holds and judge nothing. */
  readonly isTableOnly: boolean;
}

/** A wish that cannot be met, in words for the person. */
export class Refusal extends Error {}

/** Judges what is missing of the wish and gives the table; throws `Refusal` on a hold-out that is none. */
export async function runStrata(wish: StrataWish): Promise<StrataReport> {
  const file = wish.rows ?? join(mkdtempSync(join(tmpdir(), 'tripwave-truth-')), 'rows.jsonl');
  const old = readRows(file);
  if (wish.isTableOnly && old === null) throw new Refusal(`${file}: no rows to make a table of`);
  if (old === null) beginRows(file, headOf(wish));
  const { head, last } = old ?? (readRows(file) as RowFile);
  if (!wish.isTableOnly) {
    if (head.analysis !== analysisNow())
      throw new Refusal(`${file} was begun with another analysis (${head.analysis}): begin a new file`);
    refuseBurnt(head, Math.max(last, head.first + wish.rigs - 1));
    const seeds = Array.from(
      { length: Math.max(0, head.first + wish.rigs - 1 - last) },
      (_, k) => last + 1 + k,
    );
    const { rates, instruments } = head;
    const asks = seeds.map((seed) => ({ seed, rate_Hz: rates[0], rates, instruments }));
    await runJobs<TripRow[]>('trips', asks, wish.workers, (rows, k) => addRig(file, seeds[k], rows));
  }
  const all = readRows(file) as RowFile;
  if (head.half === 'hold-out') {
    refuseBurnt(head, all.last);
    const what = `hold-out, ${head.instruments} instruments`;
    enter({ first: head.first, last: all.last, day: head.day, analysis: head.analysis, what });
  }
  const heading = headingOf(all, file);
  if (head.instruments !== 'ordinary')
    return { lines: [heading, '', ...reportedTable(all.rows)], misses: [] };
  const report = strataReport(all);
  return { misses: report.misses, lines: [heading, '', ...report.lines] };
}

function refuseBurnt(head: RowHead, last: number): void {
  if (head.half !== 'hold-out') return;
  const why = burnt(readLedger(), { first: head.first, last, analysis: head.analysis });
  if (why !== null) throw new Refusal(why);
}

function headOf({ half, instruments, rates, seed, rigs }: StrataWish): RowHead {
  const usual = half === 'tuning' ? tuningFrom : freshSeed(readLedger(), holdOutFrom);
  const analysis = analysisNow();
  if (half === 'hold-out' && analysis.startsWith('changed'))
    throw new Refusal('a hold-out is of a committed analysis: commit first, or judge as --half tuning');
  const head: RowHead = {
    first: seed ?? usual,
    half,
    instruments,
    rates,
    analysis,
    revision: execFileSync('git', ['rev-parse', '--short', 'HEAD'], {
      cwd: import.meta.dirname,
      encoding: 'utf8',
    }).trim(),
    day: new Date().toISOString().slice(0, 10),
  };
  refuseBurnt(head, head.first + rigs - 1);
  return head;
}

function headingOf({ head, last, rows }: RowFile, file: string): string {
  const name =
    head.half === 'tuning' ? 'Tuning seeds' : 'Hold-out seeds, drawn after the last change of the analysis:';
  const two = rows.filter(({ legs }) => legs > 1).length;
  const parted = rows.filter(({ hasCavitated }) => hasCavitated).length;
  const percent = (count: number) => `${Math.round((100 * count) / Math.max(1, rows.length))} %`;
  return `${name} ${head.first} to ${last}, ${head.instruments} instruments, ${rows.length} trips of a leg at a rate (${percent(two)} of two legs, ${percent(parted)} with a cavity at the valve), revision ${head.revision}, ${head.day}; rows in ${file.split('/').at(-1)}.`;
}
