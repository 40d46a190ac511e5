/** So many at once, and then one each time that so long has passed. Times in s, monotonic. */
export class Allowance {
  readonly #burst: number;
  readonly #refill_s: number;
  readonly #now_s: () => number;
  #left: number;
  #filled_s: number;

  constructor(burst: number, refill_s: number, now_s: () => number) {
    this.#burst = burst;
    this.#refill_s = refill_s;
    this.#now_s = now_s;
    this.#left = burst;
    this.#filled_s = now_s();
  }

  /** Whether there is one more; it is used up. */
  take(): boolean {
    this.#fill();
    if (this.#left < 1) return false;
    this.#left--;
    return true;
  }

  /** Until there is one more, in s; 0 when there is. */
  wait_s(): number {
    this.#fill();
    return Math.max(0, 1 - this.#left) * this.#refill_s;
  }

  /** The one that was taken came to nothing. */
  giveBack(): void {
    this.#left = Math.min(this.#burst, this.#left + 1);
  }

  #fill(): void {
    const now_s = this.#now_s();
    this.#left = Math.min(this.#burst, this.#left + (now_s - this.#filled_s) / this.#refill_s);
    this.#filled_s = now_s;
  }
}
