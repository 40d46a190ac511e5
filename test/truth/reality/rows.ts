/** What is kept of each record of the study, and the file the rows can be kept in. */
import { appendFileSync, existsSync, readFileSync } from 'node:fs';
import type { LegResults, LegVerdict } from '../../../daemon/analysis/verdict.ts';
import type { RigKind } from '../../support/random-rig.ts';
import type { Judged } from '../statistics.ts';
import { type CaseAsk, type FlagCode, judge, type RealTruth, realityCase } from './case.ts';
import { blameOf } from './causes.ts';

/** A figure against its truth in the unit of the result; null: withheld. */
export type Figures = Partial<Record<keyof LegResults, Judged | null>>;

/** One judged record. */
export interface Judgement {
  readonly figures: Figures;
  readonly flags: readonly FlagCode[];
  readonly class: string;
}

export interface RealityRow {
  readonly effect: string;
  /** 1 barely visible to 4 gross. */
  readonly step: number;
  readonly strength: number;
  readonly kind: RigKind;
  readonly rate_Hz: number;
  readonly seed: number;
  readonly trueClass: string | null;
  readonly judged: Judgement;
  /** The same rig without the effect. */
  readonly clean: Judgement;
  /** Figures withheld by one who knows the effect; null where the rig file cannot state it. */
  readonly oracle: Judgement | null;
  readonly isRight: boolean;
  readonly wrong: readonly FlagCode[];
}

/** Which row: `step` 1 to 4 of the scale of the effect. */
export interface RowAsk extends CaseAsk {
  readonly effect: string;
  readonly step: number;
}

/** Judges one record; `cleanOf` gives the judgement of the same rig without the effect. */
export function realityRow(ask: RowAsk, cleanOf: (ask: CaseAsk) => Judgement): RealityRow {
  const { record, oracle, truth } = realityCase(ask);
  const judged = judgementOf(judge(record), truth);
  const clean = cleanOf(ask);
  return {
    ...ask,
    trueClass: truth.class,
    judged,
    clean,
    oracle: oracle === null ? null : judgementOf(judge(oracle), truth),
    ...blameOf(ask.effect, judged.flags, clean.flags),
  };
}

/** Judges each rig without effects once. */
export function cleanJudge(): (ask: CaseAsk) => Judgement {
  const known = new Map<string, Judgement>();
  return ({ kind, rate_Hz, seed }) => {
    const key = `${kind} ${rate_Hz} ${seed}`;
    const found = known.get(key);
    if (found !== undefined) return found;
    const { record, truth } = realityCase({ effect: null, strength: 0, kind, rate_Hz, seed });
    const judged = judgementOf(judge(record), truth);
    known.set(key, judged);
    return judged;
  };
}

export function judgementOf(verdict: LegVerdict, truth: RealTruth): Judgement {
  const figures: Figures = {};
  for (const [name, value] of Object.entries(truth.figures) as [keyof LegResults, number][]) {
    const result = verdict.results[name];
    figures[name] =
      result.value === null
        ? null
        : { error: result.value - value, low: result.low - value, high: result.high - value };
  }
  return { figures, flags: verdict.flags.map(({ code }) => code), class: verdict.severity.class };
}

/** Rows of an earlier run by key; a last line that was cut off is left out. */
export function readRows(file: string): Map<string, RealityRow> {
  const rows = new Map<string, RealityRow>();
  if (!existsSync(file)) return rows;
  const lines = readFileSync(file, 'utf8').split('\n');
  lines.pop();
  for (const line of lines) {
    const row = JSON.parse(line) as RealityRow;
    // The list of causes may have grown since.
    rows.set(keyOf(row), { ...row, ...blameOf(row.effect, row.judged.flags, row.clean.flags) });
  }
  return rows;
}

export function keepRow(file: string, row: RealityRow): void {
  appendFileSync(file, `${JSON.stringify(row)}\n`);
}

export function keyOf({ effect, strength, kind, rate_Hz, seed }: CaseAsk): string {
  return `${effect} ${strength} ${kind} ${rate_Hz} ${seed}`;
}
