/** The gap study as a command: goes on where a cut run ended, as long as the analysis is the same. */
import { appendFileSync, existsSync, mkdirSync, readFileSync } from 'node:fs';
import { dirname } from 'node:path';
import { type GapRow, gapHoldOutSeed, gapLines, gapMisses, gapRates_Hz, gapTuningSeed } from './gaps.ts';
import { analysisNow, burnt, enter, freshSeed, readLedger } from './ledger.ts';
import { runJobs } from './pool.ts';
import { Refusal } from './strata-run.ts';

export interface GapWish {
  readonly rigs: number;
  readonly half: 'tuning' | 'hold-out';
  readonly workers: number;
  /** First seed; null: the usual one of tuning, the next that nobody has looked at of a hold-out. */
  readonly seed: number | null;
  /** File of the rows; null: one beside the packages, of this analysis. */
  readonly rows: string | null;
}

/** Lines of the report, and the targets that were missed. Throws `Refusal` on a hold-out that is none. */
export async function runGaps(
  wish: GapWish,
): Promise<{ readonly lines: string[]; readonly misses: string[] }> {
  const analysis = analysisNow();
  const isHoldOut = wish.half === 'hold-out';
  if (isHoldOut && analysis.startsWith('changed'))
    throw new Refusal('a hold-out is of a committed analysis: commit first, or judge as --half tuning');
  const usual = isHoldOut ? freshSeed(readLedger(), gapHoldOutSeed) : gapTuningSeed;
  const first = wish.seed ?? usual;
  const last = first + wish.rigs - 1;
  const why = isHoldOut ? burnt(readLedger(), { first, last, analysis }) : null;
  if (why !== null) throw new Refusal(why);
  const key = analysis.replace(/[^\w]+/g, '-');
  const file =
    wish.rows ?? new URL(`../../node_modules/.cache/truth/gaps-${key}.jsonl`, import.meta.url).pathname;
  const kept = analysis.startsWith('changed') && wish.rows === null ? new Map() : readKept(file, analysis);
  const seeds = Array.from({ length: wish.rigs }, (_, k) => first + k);
  const open = seeds.filter((seed) => !kept.has(seed));
  mkdirSync(dirname(file), { recursive: true });
  await runJobs<GapRow[]>(
    'gaps',
    open.map((seed) => ({ seed, rate_Hz: gapRates_Hz[seed % gapRates_Hz.length] })),
    wish.workers,
    (rows, k) => {
      kept.set(open[k], rows);
      appendFileSync(file, `${JSON.stringify({ analysis, seed: open[k], rows })}\n`);
    },
  );
  if (isHoldOut)
    enter({ first, last, day: new Date().toISOString().slice(0, 10), analysis, what: 'hold-out, gaps' });
  const rows = seeds.flatMap((seed) => kept.get(seed) ?? []);
  const name = isHoldOut ? 'Hold-out seeds, drawn after the last change of the analysis:' : 'Tuning seeds';
  return { lines: [`${name} ${first} to ${last}.`, '', ...gapLines(rows)], misses: gapMisses(rows) };
}

/** Rows by seed that this analysis wrote; a line that a killed run cut is left out. */
function readKept(file: string, analysis: string): Map<number, GapRow[]> {
  const kept = new Map<number, GapRow[]>();
  if (!existsSync(file)) return kept;
  for (const line of readFileSync(file, 'utf8').split('\n')) {
    try {
      const entry = JSON.parse(line) as { analysis: string; seed: number; rows: GapRow[] };
      if (entry.analysis === analysis) kept.set(entry.seed, entry.rows);
    } catch {
      // The last line of a run that was cut, and the empty one behind the last.
    }
  }
  return kept;
}
