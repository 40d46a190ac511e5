/** When events without a verdict are judged again: soon after a failure, then ever more seldom. */

/** After the first failure, in s; doubled with each further one. */
const first_s = 10;
/** Longest wait, in s: a record that nothing can judge costs a fraction of a second an hour. */
const longest_s = 3600;

/** Kept in memory only: after a restart every event without a verdict is due at once. Times on one monotonic clock, in s. */
export class RetryTimes {
  readonly #failures = new Map<string, { readonly count: number; readonly due_s: number }>();

  /** Those of `ids` whose time has come, the one that waits longest first. */
  due(ids: readonly string[], now_s: number): string[] {
    const dueOf = (id: string) => this.#failures.get(id)?.due_s ?? Number.NEGATIVE_INFINITY;
    return ids.filter((id) => dueOf(id) <= now_s).sort((a, b) => dueOf(a) - dueOf(b) || 0);
  }

  failed(id: string, now_s: number): void {
    const count = (this.#failures.get(id)?.count ?? 0) + 1;
    const wait_s = Math.min(longest_s, first_s * 2 ** (count - 1));
    this.#failures.set(id, { count, due_s: now_s + wait_s });
  }

  /** It has its verdict, or is gone. */
  settled(id: string): void {
    this.#failures.delete(id);
  }
}
