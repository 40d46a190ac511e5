/** Two sets of verdicts held against each other: what must be identical, and what may differ in the last digits. */

/** Texts may be reworded; everything else counts. Reasons to withhold are texts that count. */
const texts: ReadonlySet<string> = new Set(['text', 'sentence', 'words', 'method', 'rule']);

/** Numbers whose sums may be taken in another order. */
const summed: ReadonlySet<string> = new Set(['low', 'high', 'share', 'effect']);

/** Relative difference that another order of a sum may make. */
const allowed_ratio = 1e-12;

type Json = null | boolean | number | string | readonly Json[] | { readonly [key: string]: Json };

/** What was compared. */
export interface Tally {
  verdicts: number;
  numbers: number;
  /** Of intervals and budgets, relative. */
  largest_ratio: number;
  readonly differences: string[];
}

export function emptyTally(): Tally {
  return { verdicts: 0, numbers: 0, largest_ratio: 0, differences: [] };
}

function isObject(value: Json | undefined): value is { readonly [key: string]: Json } {
  return typeof value === 'object' && value !== null && !Array.isArray(value);
}

/** Sources in the order of their names: equal shares may change places. */
function ordered(key: string, list: readonly Json[]): readonly Json[] {
  if (key !== 'budget') return list;
  const name = (part: Json) => (isObject(part) ? String(part['source']) : '');
  return [...list].sort((a, b) => name(a).localeCompare(name(b)));
}

/** Adds every difference between two JSON values to the tally, by its place. */
export function compare(tally: Tally, place: string, key: string, before?: Json, after?: Json): void {
  if (texts.has(key) && typeof before === 'string' && typeof after === 'string') return;
  if (Array.isArray(before) && Array.isArray(after)) {
    if (before.length !== after.length) {
      tally.differences.push(`${place}: ${before.length} entries before, ${after.length} now`);
      return;
    }
    const now = ordered(key, after);
    ordered(key, before).forEach((each, k) => {
      compare(tally, `${place}[${k}]`, '', each, now[k]);
    });
    return;
  }
  if (isObject(before) && isObject(after)) {
    for (const name of new Set([...Object.keys(before), ...Object.keys(after)]))
      compare(tally, `${place}.${name}`, name, before[name], after[name]);
    return;
  }
  if (typeof before === 'number') tally.numbers++;
  if (before === after) return;
  if (summed.has(key) && typeof before === 'number' && typeof after === 'number') {
    const ratio = Math.abs(before - after) / Math.max(Math.abs(before), Math.abs(after));
    tally.largest_ratio = Math.max(tally.largest_ratio, ratio);
    if (ratio <= allowed_ratio) return;
  }
  tally.differences.push(`${place}: ${JSON.stringify(before)} before, ${JSON.stringify(after)} now`);
}

/** JSON lines of `dump.ts` by name. */
export function verdictsOf(lines: string): Map<string, Json> {
  const all = new Map<string, Json>();
  for (const line of lines.trim().split('\n')) {
    const { name, verdict } = JSON.parse(line) as { readonly name: string; readonly verdict: Json };
    if (all.has(name)) throw new Error(`two verdicts are called ${name}`);
    all.set(name, verdict);
  }
  return all;
}

/** Every difference between two dumps; a verdict that only one of them has is one. */
export function compareDumps(before: string, after: string): Tally {
  const tally = emptyTally();
  const [old, now] = [verdictsOf(before), verdictsOf(after)];
  for (const name of new Set([...old.keys(), ...now.keys()])) {
    tally.verdicts++;
    compare(tally, name, '', old.get(name), now.get(name));
  }
  return tally;
}
