/**
 * `node test/truth/run.ts [--rigs N] [--half tuning|hold-out] [--instruments SET] [--seed S] [--rates 100,500,1000,5000]
 * [--rows FILE] [--table] [--workers N] [--keep]`: the truth of the measurement. Judges N random rigs at every rate against the
 * targets of `strata.ts` and ends with 1 when one is missed. `--rows` keeps the rows and goes on where a cut run ended;
 * `--table` only prints what they hold. A hold-out takes seeds that nobody has looked at and enters them in looked-at.json.
 * Other parts: `--alarms`, `--wrong`, `--missing`, `--gaps` (stretches cut out of every record), and `--exact`, the study with exact constants and the very sensors that the
 * analysis takes off (its errors beside an older prototype's; `--worst FIGURE` names its seeds). `--keep` writes what is
 * printed into test/truth/figures.md, part by part.
 */
import { readFileSync, writeFileSync } from 'node:fs';
import { parseArgs } from 'node:util';
import type { LegResults } from '../../daemon/analysis/verdict.ts';
import { type AlarmRow, alarmLines, alarmScenarios } from './alarms.ts';
import { runGaps } from './gap-run.ts';
import { type MissingRow, missingLines } from './missing.ts';
import { runJobs } from './pool.ts';
import { type InstrumentSet, instrumentSets } from './rig-in-error.ts';
import { Refusal, runStrata } from './strata-run.ts';
import { holdOutSeed, type StudyRow, tuningSeed } from './study.ts';
import { accuracyTable, coverageTable, prototypeTable, severityLines, worstSeeds } from './tables.ts';
import { type WrongRow, wrongLines } from './wrong.ts';

const { values } = parseArgs({
  options: {
    rigs: { type: 'string', default: '600' },
    rates: { type: 'string', default: '100,500,1000,5000' },
    seed: { type: 'string' },
    workers: { type: 'string', default: '1' },
    half: { type: 'string' },
    instruments: { type: 'string', default: 'ordinary' },
    rows: { type: 'string' },
    table: { type: 'boolean', default: false },
    hours: { type: 'string', default: '200' },
    exact: { type: 'boolean', default: false },
    alarms: { type: 'boolean', default: false },
    wrong: { type: 'boolean', default: false },
    missing: { type: 'boolean', default: false },
    gaps: { type: 'boolean', default: false },
    keep: { type: 'boolean', default: false },
    worst: { type: 'string' },
  },
});
const rigs = Number(values.rigs);
const shift = Number(values.seed ?? 0);
const workers = Number(values.workers);
const rates = values.rates.split(',').map(Number);
const begun_s = performance.now() / 1000;

const parts: [title: string, lines: readonly string[]][] = [];
let missed = 0;
try {
  if (values.alarms) parts.push(['Alarms', await alarms()]);
  if (values.wrong) parts.push(['One wrong thing at a time', await wrong()]);
  if (values.missing) parts.push(['What a missing channel costs', await missing()]);
  if (values.gaps) parts.push(['Missing samples', await gaps()]);
  if (values.exact) parts.push(['Exact constants, beside an older prototype', await accuracy()]);
  if (parts.length === 0) parts.push(await strata());
} catch (error) {
  if (!(error instanceof Refusal)) throw error;
  console.error(error.message);
  process.exit(64);
}
for (const [title, lines] of parts) {
  const text = [`## ${title}`, '', heading(), '', ...lines, ''].join('\n');
  console.log(text);
  if (values.keep) keep(title, text);
}
if (missed > 0) console.error(`${missed} targets missed`);
process.exitCode = missed > 0 ? 1 : 0;

async function strata(): Promise<[title: string, lines: readonly string[]]> {
  const instruments = instrumentSets.find((set) => set === values.instruments);
  if (instruments === undefined)
    throw new Refusal(`--instruments: found "${values.instruments}"; allowed: ${instrumentSets.join(', ')}`);
  const half = chosenHalf();
  const report = await runStrata({
    rigs,
    rates,
    half,
    instruments,
    workers,
    seed: values.seed === undefined ? null : Number(values.seed),
    rows: values.rows ?? null,
    isTableOnly: values.table,
  });
  missed += report.misses.length;
  return [titleOf(instruments), report.lines];
}

function chosenHalf(): 'tuning' | 'hold-out' {
  const half = values.half ?? 'hold-out';
  if (half !== 'tuning' && half !== 'hold-out')
    throw new Refusal(`--half: found "${half}"; allowed: tuning, hold-out`);
  return half;
}

async function gaps(): Promise<readonly string[]> {
  const { lines, misses } = await runGaps({
    rigs,
    half: chosenHalf(),
    workers,
    seed: values.seed === undefined ? null : Number(values.seed),
    rows: values.rows ?? null,
  });
  missed += misses.length;
  return lines;
}

function titleOf(instruments: InstrumentSet): string {
  return instruments === 'ordinary'
    ? 'Strata'
    : `Instruments that the analysis cannot identify: ${instruments}`;
}

function heading(): string {
  const command = `node test/truth/run.ts ${process.argv.slice(2).join(' ')}`.trim();
  const day = new Date().toISOString().slice(0, 10);
  return `${day}, \`${command}\`, ${(performance.now() / 1000 - begun_s).toFixed(0)} s on ${workers} processes.`;
}

/** Puts one part into figures.md in the place of its older self. */
function keep(title: string, text: string): void {
  const file = new URL('figures.md', import.meta.url);
  let old = '# The truth of the measurement: figures of full runs\n';
  try {
    old = readFileSync(file, 'utf8');
  } catch (error) {
    if ((error as NodeJS.ErrnoException).code !== 'ENOENT') throw error;
  }
  const sections = old.split(/^(?=## )/m);
  const at = sections.findIndex((section) => section.startsWith(`## ${title}\n`));
  if (at < 0) sections.push(text);
  else sections[at] = text;
  writeFileSync(file, `${sections.map((section) => section.trimEnd()).join('\n\n')}\n`);
}

function seedsOf(first: number, count: number): number[] {
  return Array.from({ length: count }, (_, k) => first + shift + k);
}

async function accuracy(): Promise<string[]> {
  const lines: string[] = [];
  const half = Math.ceil(rigs / 2);
  for (const [name, first] of [
    ['tuning', tuningSeed],
    ['hold-out', holdOutSeed],
  ] as const) {
    if (values.half !== undefined && values.half !== name) continue;
    const asks = seedsOf(first, half).flatMap((seed) => rates.map((rate_Hz) => ({ seed, rate_Hz })));
    const rows = await runJobs<StudyRow>('study', asks, workers);
    lines.push(
      `### ${name === 'tuning' ? 'Tuning half' : 'Hold-out half'}: seeds ${first + shift} to ${first + shift + half - 1}, ${rows.length} trips`,
      '',
    );
    if (values.worst !== undefined) lines.push(...worstSeeds(rows, values.worst as keyof LegResults, 60), '');
    lines.push(...accuracyTable(rows), '', ...coverageTable(rows, rates), '', ...severityLines(rows), '');
    if (name === 'hold-out' || values.half !== undefined) lines.push(...prototypeTable(rows, rates), '');
  }
  return lines;
}

async function alarms(): Promise<string[]> {
  const rows = await runJobs<AlarmRow>('alarms', alarmScenarios(Number(values.hours), shift), workers);
  missed += rows.reduce(
    (sum, row) => sum + row.falseSeatings.length + (row.hasTrip && !row.isTripFound ? 1 : 0),
    0,
  );
  return alarmLines(rows);
}

async function wrong(): Promise<string[]> {
  const first = values.half === 'tuning' ? tuningSeed : holdOutSeed;
  const asks = seedsOf(first, rigs).map((seed) => ({ seed, rate_Hz: rates[0] }));
  return wrongLines(await runJobs<WrongRow>('wrong', asks, workers), rates[0]);
}

async function missing(): Promise<string[]> {
  const asks = seedsOf(holdOutSeed, rigs).flatMap((seed) => rates.map((rate_Hz) => ({ seed, rate_Hz })));
  const rows = await runJobs<MissingRow[]>('missing', asks, workers);
  return missingLines(rows.flat(), rates);
}
