/** Finds the word a person probably meant. */

/** Levenshtein distance, with a swap of neighbours counted as one edit (optimal string alignment). */
export function distance(a: string, b: string): number {
  let beforeLast: number[] = [];
  let last = Array.from({ length: b.length + 1 }, (_, j) => j);
  for (let i = 1; i <= a.length; i++) {
    const row = [i];
    for (let j = 1; j <= b.length; j++) {
      const substituted = last[j - 1] + (a[i - 1] === b[j - 1] ? 0 : 1);
      row[j] = Math.min(last[j] + 1, row[j - 1] + 1, substituted);
      if (i > 1 && j > 1 && a[i - 1] === b[j - 2] && a[i - 2] === b[j - 1]) {
        row[j] = Math.min(row[j], beforeLast[j - 2] + 1);
      }
    }
    beforeLast = last;
    last = row;
  }
  return last[b.length];
}

/**
 * The nearest of `allowed`, or null when none is near: a third of the letters may be wrong, one in short words.
 * A difference of case, hyphen, underscore or space alone always counts as near.
 */
export function nearest(word: string, allowed: readonly string[]): string | null {
  const plain = (text: string) => text.toLowerCase().replace(/[-_ ]/g, '');
  let best: string | null = null;
  let bestDistance = Number.POSITIVE_INFINITY;
  for (const candidate of allowed) {
    const edits = plain(candidate) === plain(word) ? 0 : distance(plain(word), plain(candidate));
    const limit = Math.max(1, Math.floor(Math.max(word.length, candidate.length) / 3));
    if (edits <= limit && edits < bestDistance && edits < candidate.length) {
      best = candidate;
      bestDistance = edits;
    }
  }
  return best;
}
