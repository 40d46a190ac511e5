/** The table of the study, and what misses its target. */
import { table } from '../tables.ts';
import { type Counts, countsOf, isInside } from './count.ts';
import type { RealityRow } from './rows.ts';

/** Targets of the study; shares in %. */
const target = {
  inside: 90,
  beyondTwice: 1,
  silent: 5,
  sureWrong: 0.5,
  wrongCause: 5,
  /** Points of withheld figures over those of one who knows the effect. */
  overOracle: 10,
  barelyVisible: 10,
} as const;

const head = [
  'effect',
  'step',
  'n',
  'inside %',
  'beyond twice %',
  'withheld %',
  'oracle %',
  'right %',
  'wrong cause %',
  'silent',
  'sure and wrong',
  'severe missed',
];

export function realityLines(rows: readonly RealityRow[]): { lines: string[]; missed: string[] } {
  const whole = countsOf(rows);
  const effects = [...new Set(rows.map(({ effect }) => effect))];
  const body: string[][] = [];
  const missed = missedTargets('all effects', whole);
  for (const effect of effects) {
    const own = rows.filter((row) => row.effect === effect);
    for (const step of [...new Set(own.map((row) => row.step))].sort()) {
      const here = own.filter((row) => row.step === step);
      const counts = countsOf(here);
      body.push(cells(effect, `${step} (${here[0].strength})`, counts));
      missed.push(...missedWithholding(`${effect} step ${step}`, counts, step));
    }
    const counts = countsOf(own);
    body.push(cells(effect, 'all', counts));
    missed.push(...missedTargets(effect, counts));
  }
  body.push(cells('**all**', '', whole));
  return { lines: [...table(head, body), '', ...classLines(whole), ...wrongCauseLines(rows)], missed };
}

const percent = (part: number, all: number) => (all === 0 ? Number.NaN : (100 * part) / all);
const shown = (part: number, all: number) => (all === 0 ? '-' : percent(part, all).toFixed(1));

function cells(effect: string, step: string, c: Counts): string[] {
  return [
    effect,
    step,
    String(c.records),
    shown(c.inside, c.stated),
    shown(c.beyondTwice, c.stated),
    shown(c.withheld, c.possible),
    shown(c.oracleWithheld, c.oraclePossible),
    shown(c.right, c.records),
    shown(c.wrongCause, c.records),
    `${c.silent} (${c.silentAny})`,
    `${c.sureWrong}/${c.sure}`,
    `${c.missedSevere}/${c.severe}`,
  ];
}

function missedTargets(where: string, c: Counts): string[] {
  const faults: string[] = [];
  const hold = (isRight: boolean, text: string) => {
    if (!isRight) faults.push(`${where}: ${text}`);
  };
  hold(
    percent(c.inside, c.stated) >= target.inside,
    `inside ${shown(c.inside, c.stated)} %, wanted ${target.inside}`,
  );
  hold(
    percent(c.beyondTwice, c.stated) <= target.beyondTwice,
    `beyond twice ${shown(c.beyondTwice, c.stated)} %, wanted ${target.beyondTwice} at most`,
  );
  hold(
    percent(c.silent, c.records) <= target.silent,
    `silent ${shown(c.silent, c.records)} %, wanted ${target.silent} at most`,
  );
  hold(c.silentClass === 0, `${c.silentClass} silent records with another class, wanted none`);
  hold(
    percent(c.sureWrong, c.records) <= target.sureWrong,
    `sure and wrong class ${shown(c.sureWrong, c.records)} %, wanted ${target.sureWrong} at most`,
  );
  hold(c.missedSevere === 0, `${c.missedSevere} severe slams called "no slam" for sure, wanted none`);
  hold(
    percent(c.wrongCause, c.records) <= target.wrongCause,
    `flagged with a wrong cause ${shown(c.wrongCause, c.records)} %, wanted ${target.wrongCause} at most`,
  );
  return faults;
}

function missedWithholding(where: string, c: Counts, step: number): string[] {
  const over = percent(c.withheld, c.possible) - percent(c.oracleWithheld, c.oraclePossible);
  if (step === 1 && over > target.barelyVisible)
    return [
      `${where}: barely visible, withheld ${over.toFixed(1)} points more, wanted ${target.barelyVisible} at most`,
    ];
  if (over > target.overOracle)
    return [
      `${where}: withheld ${over.toFixed(1)} points over the oracle, wanted ${target.overOracle} at most`,
    ];
  return [];
}

/** Counts of claims that were never seen to fail, with their upper bound (rule of three: 3 / n, 95 %). */
function classLines(c: Counts): string[] {
  const bound = (wrong: number, of: number) =>
    wrong > 0 || of === 0 ? '' : ` (95 %: under ${((100 * 3) / of).toFixed(2)} %)`;
  return [
    `- sure and wrong classes: ${c.sureWrong} of ${c.records} records${bound(c.sureWrong, c.records)}`,
    `- severe slams called "no slam" for sure: ${c.missedSevere} of ${c.severe}${bound(c.missedSevere, c.severe)}`,
    `- silent: in brackets with figures that lie outside without the effect too`,
  ];
}

/** Which flags accused wrongly, most frequent first. */
function wrongCauseLines(rows: readonly RealityRow[]): string[] {
  const counts = new Map<string, number>();
  for (const { effect, wrong } of rows)
    for (const code of new Set(wrong)) {
      const key = `${code} for ${effect}`;
      counts.set(key, (counts.get(key) ?? 0) + 1);
    }
  const most = [...counts].sort((a, b) => b[1] - a[1]).slice(0, 15);
  return most.length === 0
    ? []
    : [`- wrong causes named most: ${most.map(([key, count]) => `${key} (${count})`).join(', ')}`];
}

/** `--clean`: coverage, width and withheld share of each figure on the rigs without an effect. */
export function cleanLines(rows: readonly RealityRow[]): string[] {
  const seen = new Map(rows.map((row) => [`${row.kind} ${row.rate_Hz} ${row.seed}`, row.clean]));
  const judged = [...seen.values()];
  const names = [
    ...new Set(judged.flatMap(({ figures }) => Object.keys(figures))),
  ] as (keyof RealityRow['clean']['figures'])[];
  const body = names.map((name) => {
    const all = judged.map(({ figures }) => figures[name]).filter((one) => one !== undefined);
    const some = all.filter((one) => one !== null);
    const widths = some.map(({ low, high }) => high - low).sort((a, b) => a - b);
    const median = widths[Math.floor(widths.length / 2)];
    return [
      name,
      String(all.length),
      shown(some.filter(isInside).length, some.length),
      median === undefined ? '-' : median.toPrecision(4),
      shown(all.length - some.length, all.length),
    ];
  });
  return [
    `${judged.length} rigs without an effect. Compare the median widths (SI) with those of another revision on the same seeds: they may grow by 10 %.`,
    '',
    ...table(['figure', 'n', 'inside %', 'median width', 'withheld %'], body),
  ];
}
