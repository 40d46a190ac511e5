/**
 * What is missing where: the stretches of a channel in which the record has no usable sample. Made once, when the samples are
 * read; whoever searches or judges asks here, so that a hole is never taken for a straight line between its ends.
 */
import type { Span } from '../../statistics/samples.ts';

/** `lost`: no sample came. `bad`: some came and none could be used. `clipped`: all lay at an end of the range. */
export type Why = 'lost' | 'bad' | 'clipped';

/** From the last good sample before to the first good one after, in s from the record's origin. */
export interface Stretch {
  readonly from_s: number;
  readonly to_s: number;
  readonly why: Why;
}

/** Of one channel, ascending, no two overlap. */
export type Missing = readonly Stretch[];

/** A spacing of so many usual ones lacks a sample; a poll that came late by half of its slot does not. */
const lacking = 1.6;

/** What the search is made from: instants of the samples that can be used, and of those that came. Both in s, ascending. */
export interface Intake {
  readonly good_s: Float64Array;
  /** Instants of samples that came and cannot be used. */
  readonly bad_s: readonly number[];
  /** Instants of samples at an end of the range; they are among the good ones. */
  readonly clipped_s: readonly number[];
  /** Usual spacing of samples. */
  readonly step_s: number;
}

/** The stretches without a good sample, and those with clipped ones only. Empty for a whole channel. */
export function missingOf({ good_s, bad_s, clipped_s, step_s }: Intake): Missing {
  const found: Stretch[] = [];
  const limit_s = lacking * step_s;
  let bad = 0;
  for (let k = 1; k < good_s.length; k++) {
    const from_s = good_s[k - 1];
    const to_s = good_s[k];
    while (bad < bad_s.length && bad_s[bad] <= from_s) bad++;
    if (to_s - from_s <= limit_s) continue;
    found.push({ from_s, to_s, why: bad < bad_s.length && bad_s[bad] < to_s ? 'bad' : 'lost' });
  }
  if (clipped_s.length === 0) return found;
  return [...found, ...rowsOf(clipped_s, limit_s)].sort((a, b) => a.from_s - b.from_s);
}

/** Clipped samples in rows; each ends where the next good sample of the other kind could be. */
function rowsOf(clipped_s: readonly number[], limit_s: number): Stretch[] {
  const rows: Stretch[] = [];
  for (const at_s of clipped_s) {
    const last = rows[rows.length - 1];
    if (last !== undefined && at_s - last.to_s <= limit_s) rows[rows.length - 1] = { ...last, to_s: at_s };
    else rows.push({ from_s: at_s, to_s: at_s, why: 'clipped' });
  }
  return rows;
}

/** Without the clipped ones: there the samples say at least how far the reading went. */
export function blind(missing: Missing): Missing {
  return missing.filter(({ why }) => why !== 'clipped');
}

/** Those that share more than an end with a window. */
export function within(missing: Missing, { from_s, to_s }: Span): Missing {
  return missing.filter((stretch) => stretch.to_s > from_s && stretch.from_s < to_s);
}

/** Time of a window that is missing, in s. */
export function lost_s(missing: Missing, span: Span): number {
  return within(missing, span).reduce(
    (sum, { from_s, to_s }) => sum + Math.min(to_s, span.to_s) - Math.max(from_s, span.from_s),
    0,
  );
}

/** The longest of some stretches, in s; 0 without one. */
export function longest_s(missing: Missing): number {
  return missing.reduce((most, { from_s, to_s }) => Math.max(most, to_s - from_s), 0);
}
