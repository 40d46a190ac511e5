/**
 * When each poll block is due, on an absolute grid: a late poll does not shift the next. A slot whose whole interval has
 * passed is lost and counted; polls never pile up.
 */

export interface Slot {
  readonly block: number;
  /** Number of the slot since the start. */
  readonly index: number;
  readonly due_s: number;
}

export class Schedule {
  readonly #interval_s: Float64Array;
  readonly #next: Float64Array;
  #start_s = 0;

  constructor(intervals_s: readonly number[]) {
    this.#interval_s = Float64Array.from(intervals_s);
    this.#next = new Float64Array(intervals_s.length);
  }

  start(start_s: number): void {
    this.#start_s = start_s;
  }

  /** Whether the next slot of `block` is over. */
  hasPassed(block: number, now_s: number): boolean {
    return this.#passed(block, now_s) > 0;
  }

  /** Drops the slots of `block` that have passed whole; returns how many. */
  catchUp(block: number, now_s: number): number {
    const lost = this.#passed(block, now_s);
    this.#next[block]! += lost;
    return lost;
  }

  #passed(block: number, now_s: number): number {
    const current = Math.floor((now_s - this.#start_s) / this.#interval_s[block]!);
    return Math.max(0, current - this.#next[block]!);
  }

  /** The next slot of `block`, due or not. */
  slot(block: number): Slot {
    const index = this.#next[block]!;
    return { block, index, due_s: this.#start_s + index * this.#interval_s[block]! };
  }

  /** Uses up the next slot of `block`. */
  take(block: number): void {
    this.#next[block]! += 1;
  }
}
