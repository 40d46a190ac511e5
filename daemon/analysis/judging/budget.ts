/**
 * Where the uncertainty of a number comes from: each source with the change of the number by one standard uncertainty of
 * it (JCGM 100:2008, 8.1 step 6 and table H.1). Sources that several numbers share (density, wave speed, one calibration,
 * the trip) keep their sign, so that the correlation of two results follows from their budgets (F.1.2.3, H.2.3).
 */
import { together } from '../../statistics/uncertainty.ts';
import { standardOf } from '../result.ts';
import type { BudgetPart, BudgetSource, Measured, Result } from '../verdict.ts';

/** One source and what +1 standard uncertainty of it does to the result, in the result's unit. */
export type Effect = readonly [source: BudgetSource, effect: number];

/** Sources that are drawn anew for every number: their effects add as squares. All others are one quantity everywhere. */
const own: ReadonlySet<BudgetSource> = new Set(['noise', 'sampling', 'method']);

/** Effects of the same source made one: shared quantities by their signed sum, the others by the root of squares. */
export function merged(effects: readonly Effect[]): Effect[] {
  const sums = new Map<BudgetSource, number>();
  for (const [source, effect] of effects) {
    if (!Number.isFinite(effect)) continue;
    const before = sums.get(source) ?? 0;
    sums.set(source, own.has(source) ? Math.hypot(before, effect) : before + effect);
  }
  return [...sums].filter(([, effect]) => effect !== 0);
}

/** Standard uncertainty from the effects of all sources: what is drawn anew for the number, and what it shares with others. */
export function doubtOf(effects: readonly Effect[]): number {
  const all = merged(effects);
  const sizes = (isOwn: boolean) =>
    all.filter(([source]) => own.has(source) === isOwn).map(([, effect]) => effect);
  return together(together(...sizes(true)), together(...sizes(false)));
}

/** The effects on a result that is `factor` times another, signs kept, in the unit of that result. */
export function scaled(effects: readonly Effect[], factor: number): Effect[] {
  return effects.map(([source, effect]) => [source, factor * effect]);
}

/**
 * The result with its budget, largest share first; shares add to 1. What the interval holds beyond the other sources is
 * the `method`, stated or not: what formula, window and shape leave open. Where the sources alone make more than the interval (it was cut
 * off at a bound) their effects are scaled down to it. A withheld or exact result stays as it is.
 */
export function withBudget(result: Result, effects: readonly Effect[]): Result {
  if (result.value === null) return result;
  const total = standardOf(result);
  if (!(total > 0)) return result;
  const named = merged(effects.filter(([source]) => source !== 'method'));
  const squares = named.reduce((sum, [, effect]) => sum + effect * effect, 0);
  const scale = squares > total * total ? total / Math.sqrt(squares) : 1;
  const rest = Math.sqrt(Math.max(0, total * total - squares));
  const all = merged([...scaled(named, scale), ['method', rest]]);
  const parts = all.map(([source, effect]): BudgetPart => ({ source, effect, share: (effect / total) ** 2 }));
  // A share below a thousandth says nothing.
  const budget = parts.filter(({ share }) => share >= 1e-3).sort((a, b) => b.share - a.share);
  return { ...result, budget };
}

/**
 * Correlation coefficient of two results of one leg from what they share (JCGM 100:2008, eq. F.2 over the two
 * uncertainties), -1 to 1; 0 where either has no budget.
 */
export function correlationOf(a: Measured, b: Measured): number {
  const product = standardOf(a) * standardOf(b);
  if (!(product > 0)) return 0;
  let covariance = 0;
  for (const { source, effect } of a.budget ?? []) {
    if (own.has(source)) continue;
    covariance += effect * (b.budget?.find((part) => part.source === source)?.effect ?? 0);
  }
  return Math.min(1, Math.max(-1, covariance / product));
}
