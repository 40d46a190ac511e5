/** The gap study: random rigs judged with stretches of their record cut out, and what still holds. */
import { analyse } from '../../daemon/analysis/analyse.ts';
import type { EventRecord } from '../../daemon/analysis/record.ts';
import type { LegResults, LegVerdict, Result, SeverityClass } from '../../daemon/analysis/verdict.ts';
import { drawTrip, figures, truthsOf } from '../support/accuracy.ts';
import { cutRecord, type Damage, drawDamage, type Place } from '../support/cut-record.ts';
import { type RigKind, seeded } from '../support/random-rig.ts';
import { type SimulatedTrip, simulateTrip } from '../support/simulate-trip.ts';
import { recordOf } from '../support/trip-record.ts';
import { isWideSeed } from './study.ts';
import { table } from './tables.ts';

/** Seeds that no other study draws. */
export const gapTuningSeed = 300_000;
export const gapHoldOutSeed = 3_000_000;

/** Rates of the study, one a seed. */
export const gapRates_Hz = [100, 500, 1000, 5000, 1000] as const;

/** Ways to damage one record. */
const damages = 4;

/** Valves that close softly in truth: seeing it on fewer samples is no mistake. */
const builtSoft: ReadonlySet<RigKind> = new Set(['cushion', 'dashpot']);

export type Outcome = 'inside' | 'outside' | 'far' | 'withheld';

/** One damaged record. */
export interface GapRow {
  readonly seed: number;
  readonly kind: RigKind;
  readonly rate_Hz: number;
  readonly damage: Damage;
  readonly whole: Partial<Record<keyof LegResults, Outcome>>;
  readonly torn: Partial<Record<keyof LegResults, Outcome>>;
  /** Value, low, high and truth of the figures outside, for whoever looks into them. */
  readonly outside: Partial<Record<keyof LegResults, readonly number[]>>;
  readonly wholeClass: SeverityClass;
  readonly tornClass: SeverityClass;
  readonly trueClass: SeverityClass | null;
  readonly isSoftenedByGap: boolean;
  readonly flags: readonly string[];
}

function outcomeOf(result: Result, truth: number): Outcome {
  if (result.value === null) return 'withheld';
  if (truth >= result.low && truth <= result.high) return 'inside';
  const half = truth > result.value ? result.high - result.value : result.value - result.low;
  return Math.abs(truth - result.value) > 2 * half ? 'far' : 'outside';
}

const options = { revision: 1, software: 'test', reason: 'gaps' };

function judge(record: EventRecord): LegVerdict {
  return analyse(record, options).legs[0];
}

/** All damaged records of one seed; `simulated` saves the simulation where it was kept. */
export function gapRows(
  seed: number,
  rate_Hz: number = gapRates_Hz[seed % 5],
  simulated: SimulatedTrip | null = null,
): GapRow[] {
  const drawn = drawTrip(seed, isWideSeed(seed));
  const { spec, sensors, knowledge, random, kind } = drawn;
  const trip = simulated ?? simulateTrip(spec, { rate_Hz, sensors, random });
  const record = recordOf(trip, spec, sensors, knowledge);
  const { truth } = trip.legs[0];
  const whole = judge(record);
  const truths = truthsOf({ seed, ...drawn, truth, verdict: whole, simulated: trip });
  if (truth.seating_s === null) return [];
  const cut = seeded(seed * 31 + 7);
  const rows: GapRow[] = [];
  for (let k = 0; k < damages; k++) {
    const damage = drawDamage(cut, truth.trip_s, truth.seating_s);
    const torn = judge(damage.cuts.reduce(cutRecord, record));
    rows.push({ seed, kind, rate_Hz, damage, ...compare(whole, torn, truths, kind) });
  }
  return rows;
}

function compare(
  whole: LegVerdict,
  torn: LegVerdict,
  truths: Partial<Record<keyof LegResults, number>>,
  kind: RigKind,
): Omit<GapRow, 'seed' | 'kind' | 'rate_Hz' | 'damage'> {
  const before: GapRow['whole'] = {};
  const after: GapRow['torn'] = {};
  const outside: Partial<Record<keyof LegResults, readonly number[]>> = {};
  for (const { name } of figures) {
    const truth = truths[name];
    if (truth === undefined) continue;
    before[name] = outcomeOf(whole.results[name], truth);
    const result = torn.results[name];
    after[name] = outcomeOf(result, truth);
    if (result.value !== null && (after[name] === 'far' || after[name] === 'outside'))
      outside[name] = [result.value, result.low, result.high, truth];
  }
  const equivalent = truths.equivalentReverseVelocity;
  const { mild_mps, severe_mps } = torn.severity;
  const isSoft = ({ flags }: LegVerdict) => flags.some(({ code }) => code === 'softened-closure');
  return {
    whole: before,
    torn: after,
    outside,
    wholeClass: whole.severity.class,
    tornClass: torn.severity.class,
    trueClass:
      equivalent === undefined
        ? null
        : equivalent < mild_mps
          ? 'none'
          : equivalent < severe_mps
            ? 'mild'
            : 'severe',
    isSoftenedByGap: isSoft(torn) && !isSoft(whole) && !builtSoft.has(kind),
    flags: torn.flags.map(({ code }) => code),
  };
}

/** Whether a class is stated as sure and is another than the true one. */
export function isSurelyWrong(row: GapRow, kind: SeverityClass = row.tornClass): boolean {
  return row.trueClass !== null && kind !== 'at-limit' && kind !== 'unknown' && kind !== row.trueClass;
}

const lengths_ms = [1, 3, 10, 30, 100, 200] as const;
const places: readonly Place[] = ['seating', 'trip', 'after', 'anywhere'];

/** Counts of outcomes. */
interface Count {
  given: number;
  inside: number;
  far: number;
  withheld: number;
}

function count(rows: readonly GapRow[], of: (row: GapRow) => GapRow['torn'], name?: keyof LegResults): Count {
  const sum: Count = { given: 0, inside: 0, far: 0, withheld: 0 };
  for (const row of rows) {
    for (const { name: each } of figures) {
      if (name !== undefined && each !== name) continue;
      const outcome = of(row)[each];
      // What the whole record does not give either says nothing about the gap.
      if (outcome === undefined || row.whole[each] === 'withheld') continue;
      if (outcome === 'withheld') sum.withheld++;
      else sum.given++;
      if (outcome === 'inside') sum.inside++;
      if (outcome === 'far') sum.far++;
    }
  }
  return sum;
}

const percent = (part: number, of: number) => (of === 0 ? '-' : ((100 * part) / of).toFixed(1));

/** Upper end of the one-sided 95 % interval of a share of which none of n was seen: 1 - 0.05^(1/n) (Clopper and Pearson 1934). */
const upperOfNone = (n: number) => `${(100 * (1 - 0.05 ** (1 / Math.max(1, n)))).toFixed(2)} %`;

/** Targets that were missed, in words; empty when all are met. */
export function gapMisses(rows: readonly GapRow[]): string[] {
  const all = count(rows, ({ torn }) => torn);
  const wrong = rows.filter((row) => isSurelyWrong(row) && !isSurelyWrong(row, row.wholeClass)).length;
  const soft = rows.filter(({ isSoftenedByGap }) => isSoftenedByGap).length;
  return [
    ...(all.inside / all.given < 0.92 ? [`${percent(all.inside, all.given)} % inside, 92 wanted`] : []),
    ...(all.far / all.given > 0.01
      ? [`${percent(all.far, all.given)} % beyond twice, at most 1 wanted`]
      : []),
    ...(wrong > 0 ? [`${wrong} sure and wrong classes, none wanted`] : []),
    ...(soft > 0 ? [`${soft} softened closures concluded from a gap, none wanted`] : []),
  ];
}

/** The tables. */
export function gapLines(rows: readonly GapRow[]): string[] {
  const torn = (row: GapRow) => row.torn;
  const line = (name: string, of: Count): string[] => [
    name,
    String(of.given + of.withheld),
    percent(of.inside, of.given),
    percent(of.far, of.given),
    percent(of.withheld, of.given + of.withheld),
  ];
  const heads = ['', 'figures', 'inside %', 'beyond twice %', 'withheld %'];
  const byFigure = figures.map(({ name }) => [
    ...line(name, count(rows, torn, name)),
    percent(count(rows, ({ whole }) => whole, name).inside, count(rows, ({ whole }) => whole, name).given),
  ]);
  const bins = lengths_ms.slice(1).map((to, k) => ({ from: lengths_ms[k], to }));
  const inBin = (row: GapRow, { from, to }: { readonly from: number; readonly to: number }) =>
    row.damage.longest_s > from * 1e-3 && row.damage.longest_s <= to * 1e-3;
  const share = bins.map((bin) => [
    `${bin.from} to ${bin.to} ms`,
    ...places.map((place) => {
      const some = count(
        rows.filter((row) => inBin(row, bin) && row.damage.place === place),
        torn,
      );
      return `${percent(some.withheld, some.given + some.withheld)} of ${some.given + some.withheld}`;
    }),
  ]);
  const sure = rows.filter(({ tornClass }) => tornClass !== 'at-limit' && tornClass !== 'unknown');
  const wrong = rows.filter((row) => isSurelyWrong(row));
  const byGap = wrong.filter((row) => !isSurelyWrong(row, row.wholeClass));
  const gentle = byGap.filter(({ tornClass, trueClass }) => tornClass === 'none' && trueClass === 'severe');
  const soft = rows.filter(({ isSoftenedByGap }) => isSoftenedByGap);
  const misses = gapMisses(rows);
  return [
    `${new Set(rows.map(({ seed }) => seed)).size} records, ${rows.length} with gaps.`,
    '',
    ...table(
      [...heads, 'inside % whole'],
      [
        ...byFigure,
        [...line('all', count(rows, torn)), ''],
        [
          ...line(
            'all, no gap',
            count(rows, ({ whole }) => whole),
          ),
          '',
        ],
      ],
    ),
    '',
    'Withheld in % of the figures that the whole record gives, by length of the longest gap and by place:',
    '',
    ...table(['longest gap', ...places], share),
    '',
    `Sure classes: ${sure.length} of ${rows.length}; wrong ones: ${wrong.length}, of which the whole record is right in ${byGap.length}` +
      ` (upper end if none: ${upperOfNone(sure.length)}); "no slam" for a severe one: ${gentle.length}.`,
    `"Softened" of a sharp valve where the whole record does not say so: ${soft.length} of ${rows.length} (upper end if none: ${upperOfNone(rows.length)}).`,
    misses.length === 0 ? 'All targets are met.' : `Missed: ${misses.join('; ')}.`,
  ];
}
