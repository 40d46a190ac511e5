/**
 * `npm run truth -- --reality [--effect NAME] [--records N] [--seed S] [--half tuning|hold-out] [--rows FILE] [--clean]
 * [--keep]`: every effect of a real rig at four strengths on records that do not know of it. Exit 1 when a target is missed.
 */
import { writeFileSync } from 'node:fs';
import { parseArgs } from 'node:util';
import { effectNamed, effects } from '../../../daemon/virtual-rig/effects/catalogue.ts';
import type { Effect } from '../../../daemon/virtual-rig/effects/effect.ts';
import { cleanJudge, keepRow, keyOf, type RealityRow, type RowAsk, readRows, realityRow } from './rows.ts';
import { rateOf, valveKinds } from './scene.ts';
import { cleanLines, realityLines } from './tables.ts';

/** First seeds of the two halves: never drawn elsewhere, and never both for one change. */
const firstSeeds = { tuning: 2_000_000, 'hold-out': 3_000_000 } as const;

const { values } = parseArgs({
  options: {
    reality: { type: 'boolean' },
    effect: { type: 'string' },
    records: { type: 'string', default: '36' },
    seed: { type: 'string', default: '0' },
    half: { type: 'string', default: 'tuning' },
    rows: { type: 'string' },
    clean: { type: 'boolean', default: false },
    keep: { type: 'boolean', default: false },
  },
});

const half = oneOf('half', values.half, ['tuning', 'hold-out'] as const);
const records = wholeNumber('records', values.records, 1, 10_000);
const first = firstSeeds[half] + wholeNumber('seed', values.seed, 0, 900_000);
const chosen = values.effect === undefined ? effects : [effectNamed(values.effect)];

const begun_s = performance.now() / 1000;
/** Records that could not be played or judged: a fault of the rig or a bug of the analysis, never left out in silence. */
const broken: string[] = [];
const rows = study(chosen.flatMap(asksOf));
const { lines, missed } = realityLines(rows);
missed.push(...broken);
const text = [
  heading(),
  '',
  ...lines,
  '',
  ...(values.clean ? [...cleanLines(rows), ''] : []),
  missed.length === 0 ? 'Every target is met.' : `Missed targets: ${missed.length}`,
  '',
  ...missed.map((line) => `- ${line}`),
  '',
].join('\n');
console.log(text);
if (values.keep) writeFileSync(new URL('last-run.md', import.meta.url), text);
process.exitCode = missed.length === 0 ? 0 : 1;

/** Record k of every effect is the same rig: kind k of six, its own seed, a rate that walks through all. */
function asksOf(effect: Effect): RowAsk[] {
  return effect.scale.flatMap((strength, i) =>
    Array.from({ length: records }, (_, k) => ({
      effect: effect.name,
      step: i + 1,
      strength,
      kind: valveKinds[k % valveKinds.length],
      rate_Hz: rateOf(k),
      seed: first + k,
    })),
  );
}

function study(asks: readonly RowAsk[]): RealityRow[] {
  const cleanOf = cleanJudge();
  const kept = values.rows === undefined ? new Map<string, RealityRow>() : readRows(values.rows);
  return asks.flatMap((ask, k) => {
    const known = kept.get(keyOf(ask));
    if (known !== undefined) return [known];
    if (process.stderr.isTTY) process.stderr.write(`\r${k + 1}/${asks.length} ${ask.effect.padEnd(20)}`);
    try {
      const row = realityRow(ask, cleanOf);
      if (values.rows !== undefined) keepRow(values.rows, row);
      return [row];
    } catch (error) {
      broken.push(`${keyOf(ask)}: ${(error as Error).message}`);
      return [];
    }
  });
}

function heading(): string {
  const day = new Date().toISOString().slice(0, 10);
  const spent_s = (performance.now() / 1000 - begun_s).toFixed(0);
  return `${day}, \`npm run truth -- ${process.argv.slice(2).join(' ')}\`, ${half} seeds from ${first}, ${rows.length} records, ${spent_s} s.`;
}

function oneOf<const Name extends string>(key: string, found: string, allowed: readonly Name[]): Name {
  const name = allowed.find((one) => one === found);
  if (name !== undefined) return name;
  throw new RangeError(`--${key}: found "${found}"; allowed: ${allowed.join(', ')}`);
}

function wholeNumber(key: string, found: string, least: number, most: number): number {
  const value = Number(found);
  if (Number.isInteger(value) && value >= least && value <= most) return value;
  throw new RangeError(`--${key}: found "${found}"; a whole number from ${least} to ${most} is allowed`);
}
