/** The latest turnaround times, for a look at how fast a line's units are. */

/** How many are kept. */
const kept = 512;

export class Turnarounds {
  readonly #times_s = new Float64Array(kept);
  #count = 0;

  add(time_s: number): void {
    this.#times_s[this.#count % kept] = time_s;
    this.#count += 1;
  }

  /** The time that `share` (0 to 1) of the latest turnarounds did not exceed, in s; null before the first. */
  quantile_s(share: number): number | null {
    const length = Math.min(this.#count, kept);
    if (length === 0) return null;
    const sorted = this.#times_s.slice(0, length).sort();
    return sorted[Math.min(length - 1, Math.floor(share * length))]!;
  }
}
