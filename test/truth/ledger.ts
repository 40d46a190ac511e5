/**
 * Seeds that somebody has looked at. A table of a set makes it known: from then on the set is tuning. A set may go on only with the
 * analysis it was begun with; the ledger stands in the repository beside the figures.
 */
import { execFileSync } from 'node:child_process';
import { readFileSync, writeFileSync } from 'node:fs';

export interface LookedAt {
  /** First and last seed. */
  readonly first: number;
  readonly last: number;
  readonly day: string;
  /** Content of the analysis that judged it, as git names its tree; empty: of before the ledger. */
  readonly analysis: string;
  readonly what: string;
}

const file = new URL('looked-at.json', import.meta.url);

export function readLedger(): readonly LookedAt[] {
  return JSON.parse(readFileSync(file, 'utf8'));
}

/** Entries that share a seed with first..last. */
export function overlapping(
  ledger: readonly LookedAt[],
  { first, last }: { readonly first: number; readonly last: number },
): LookedAt[] {
  return ledger.filter((entry) => entry.first <= last && entry.last >= first);
}

/**
 * Why first..last is no hold-out for this analysis, in words; null when it is one. The same set under the same analysis may be
 * continued and printed again.
 */
export function burnt(
  ledger: readonly LookedAt[],
  set: { readonly first: number; readonly last: number; readonly analysis: string },
): string | null {
  const [entry] = overlapping(ledger, set).filter(
    ({ first, analysis }) => first !== set.first || analysis !== set.analysis,
  );
  if (entry === undefined) return null;
  return `seeds ${set.first} to ${set.last} are no hold-out: ${entry.first} to ${entry.last} were looked at on ${entry.day} (${entry.what}); take others, or judge them as --half tuning`;
}

/** First seed of a block of 100 000 that nobody has looked at. */
export function freshSeed(ledger: readonly LookedAt[], from: number): number {
  return ledger.reduce((seed, { last }) => Math.max(seed, Math.ceil((last + 1) / 100_000) * 100_000), from);
}

/** Enters a set, or lengthens its entry. */
export function enter(entry: LookedAt): void {
  const rest = readLedger().filter(
    ({ first, analysis }) => first !== entry.first || analysis !== entry.analysis,
  );
  const all = [...rest, entry].sort((a, b) => a.first - b.first);
  writeFileSync(file, `${JSON.stringify(all, null, 2)}\n`);
}

/** What the analysis is now: the tree of what judges, or `changed since ...` where it differs from the last commit. */
export function analysisNow(): string {
  const git = (...words: string[]) =>
    execFileSync('git', words, { cwd: import.meta.dirname, encoding: 'utf8' }).trim();
  const rooms = ['daemon/analysis', 'daemon/statistics', 'daemon/instruments', 'daemon/hydraulics'];
  const names = rooms.map((room) => git('rev-parse', `HEAD:${room}`).slice(0, 10)).join('-');
  const root = git('rev-parse', '--show-toplevel');
  const changed = git('-C', root, 'status', '--porcelain', '--', ...rooms);
  return changed === '' ? names : `changed since ${names}`;
}
