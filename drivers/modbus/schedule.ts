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
  /** When each block last had its turn: decides between blocks due at one instant, so that none is starved. */
  readonly #turn: Float64Array;
  #turns = 0;
  #start_s = 0;

  constructor(intervals_s: readonly number[]) {
    this.#interval_s = Float64Array.from(intervals_s);
    this.#next = new Float64Array(intervals_s.length);
    this.#turn = new Float64Array(intervals_s.length);
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

  /** The block that is due first; among equals the one whose turn was longest ago. */
  first(): Slot {
    let best = 0;
    let bestDue_s = Number.POSITIVE_INFINITY;
    for (let block = 0; block < this.#next.length; block++) {
      const due_s = this.#start_s + this.#next[block]! * this.#interval_s[block]!;
      const isEarlier = due_s < bestDue_s || (due_s === bestDue_s && this.#turn[block]! < this.#turn[best]!);
      if (isEarlier) {
        best = block;
        bestDue_s = due_s;
      }
    }
    return this.slot(best);
  }

  /** Uses up the next slot of `block`. */
  take(block: number): void {
    this.#next[block]! += 1;
    this.#turns += 1;
    this.#turn[block] = this.#turns;
  }
}
