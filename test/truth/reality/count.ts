/** What is counted over the rows of one effect and strength. */
import type { Judged } from '../statistics.ts';
import type { Figures, Judgement, RealityRow } from './rows.ts';

export interface Counts {
  readonly records: number;
  readonly stated: number;
  readonly inside: number;
  readonly beyondTwice: number;
  readonly withheld: number;
  readonly possible: number;
  /** Withheld by the oracle, or on the clean record where there is none; over `oraclePossible`. */
  readonly oracleWithheld: number;
  readonly oraclePossible: number;
  readonly right: number;
  readonly wrongCause: number;
  readonly silent: number;
  /** The same counting figures that lie outside without the effect too. */
  readonly silentAny: number;
  /** Records whose class is sure, and those whose sure class is wrong. */
  readonly sure: number;
  readonly sureWrong: number;
  readonly severe: number;
  /** Sure "no slam" where the slam was severe. */
  readonly missedSevere: number;
  readonly silentClass: number;
}

export function countsOf(rows: readonly RealityRow[]): Counts {
  const total = (count: (row: RealityRow) => number) => rows.reduce((sum, row) => sum + count(row), 0);
  const many = (is: (row: RealityRow) => boolean) => rows.filter(is).length;
  const knows = ({ oracle, clean }: RealityRow) => oracle ?? clean;
  return {
    records: rows.length,
    stated: total(({ judged }) => stated(judged).length),
    inside: total(({ judged }) => stated(judged).filter(isInside).length),
    beyondTwice: total(({ judged }) => stated(judged).filter(isBeyondTwice).length),
    withheld: total(({ judged }) => withheld(judged)),
    possible: total(({ judged }) => Object.keys(judged.figures).length),
    oracleWithheld: total((row) => withheld(knows(row))),
    oraclePossible: total((row) => Object.keys(knows(row).figures).length),
    right: many(({ isRight }) => isRight),
    wrongCause: many(({ wrong }) => wrong.length > 0),
    silent: many(isSilent),
    silentAny: many((row) => !isNamed(row) && stated(row.judged).some((one) => !isInside(one))),
    sure: many(({ judged }) => isSure(judged)),
    sureWrong: many(isSureAndWrong),
    severe: many(({ trueClass }) => trueClass === 'severe'),
    missedSevere: many(({ trueClass, judged }) => trueClass === 'severe' && judged.class === 'none'),
    silentClass: many((row) => isSureAndWrong(row) && !isNamed(row)),
  };
}

function stated({ figures }: Judgement): Judged[] {
  return Object.values(figures).filter((one): one is Judged => one !== null);
}

function withheld({ figures }: Judgement): number {
  return Object.values(figures).filter((one) => one === null).length;
}

export function isInside({ low, high }: Judged): boolean {
  return low <= 0 && high >= 0;
}

/** Outside an interval of twice the width on either side of the value. */
export function isBeyondTwice({ error, low, high }: Judged): boolean {
  return error - 2 * (error - low) > 0 || error + 2 * (high - error) < 0;
}

/** A flag that the same rig does not raise without the effect, or one of its right causes. */
function isNamed({ isRight, wrong }: RealityRow): boolean {
  return isRight || wrong.length > 0;
}

/** A stated figure is outside that is not outside without the effect, and no flag says that something is wrong. */
export function isSilent(row: RealityRow): boolean {
  return (
    !isNamed(row) && outside(row.judged.figures).some((name) => !outside(row.clean.figures).includes(name))
  );
}

function outside(figures: Figures): string[] {
  return Object.entries(figures)
    .filter(([, one]) => one !== null && one !== undefined && !isInside(one))
    .map(([name]) => name);
}

function isSure(judged: Judgement): boolean {
  return judged.class === 'none' || judged.class === 'mild' || judged.class === 'severe';
}

export function isSureAndWrong({ judged, trueClass }: RealityRow): boolean {
  return isSure(judged) && trueClass !== null && judged.class !== trueClass;
}
