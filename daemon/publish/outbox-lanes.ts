/** A sink's place in the outbox: what it still has to get, as two lanes. Pure. */

/** Both ends belong to it. */
export interface Range {
  readonly first: number;
  readonly last: number;
}

export type LaneName = 'fresh' | 'backlog';

/** As it is kept on disk. */
export interface Place {
  /** Every message after this one is still to be sent, in the fresh lane. */
  readonly fresh: number;
  /** What waited too long for the fresh lane, oldest first, apart from each other. */
  readonly backlog: readonly Range[];
}

/**
 * Fresh messages overtake those that have waited, or a day's outage would delay the present by hours. A message is in one
 * lane at a time and moves from fresh to backlog only.
 */
export class Lanes {
  #fresh: number;
  #backlog: Range[];

  constructor({ fresh, backlog }: Place) {
    this.#fresh = fresh;
    this.#backlog = [...backlog];
  }

  get place(): Place {
    return { fresh: this.#fresh, backlog: [...this.#backlog] };
  }

  /** Messages still to be sent, up to and with `head`; those of kinds that the sink does not get are counted along. */
  waiting(head: number): number {
    return this.#backlog.reduce((sum, { first, last }) => sum + last - first + 1, head - this.#fresh);
  }

  /** Moves fresh messages up to and with `seq` into the backlog. */
  age(seq: number): void {
    if (seq <= this.#fresh) return;
    const newest = this.#backlog.at(-1);
    if (newest !== undefined && newest.last === this.#fresh) {
      this.#backlog[this.#backlog.length - 1] = { first: newest.first, last: seq };
    } else this.#backlog.push({ first: this.#fresh + 1, last: seq });
    this.#fresh = seq;
  }

  /** What a lane sends next; null when it is empty. `head` is the newest message. */
  next(lane: LaneName, head: number): Range | null {
    if (lane === 'backlog') return this.#backlog[0] ?? null;
    return head > this.#fresh ? { first: this.#fresh + 1, last: head } : null;
  }

  /** Everything of the lane's next range up to and with `seq` is done with. */
  settle(lane: LaneName, seq: number): void {
    if (lane === 'fresh') {
      this.#fresh = Math.max(this.#fresh, seq);
      return;
    }
    const oldest = this.#backlog[0];
    if (oldest === undefined) return;
    if (seq >= oldest.last) this.#backlog.shift();
    else this.#backlog[0] = { first: Math.max(oldest.first, seq + 1), last: oldest.last };
  }

  /** The oldest message that is still to be sent; `head + 1` when there is none. */
  oldest(): number {
    return this.#backlog[0]?.first ?? this.#fresh + 1;
  }

  /** Takes out everything up to and with `seq`: it is shed. Returns the ranges that were still to be sent. */
  shed(seq: number): Range[] {
    const gone: Range[] = [];
    const kept: Range[] = [];
    for (const range of this.#backlog) {
      if (range.first <= seq) gone.push({ first: range.first, last: Math.min(seq, range.last) });
      if (range.last > seq) kept.push({ first: Math.max(range.first, seq + 1), last: range.last });
    }
    if (seq > this.#fresh) {
      gone.push({ first: this.#fresh + 1, last: seq });
      this.#fresh = seq;
    }
    this.#backlog = kept;
    return gone;
  }
}

/** The part of a place up to `head`: after a power cut it may be ahead of the messages. */
export function placeWithin({ fresh, backlog }: Place, head: number): Place {
  return {
    fresh: Math.min(fresh, head),
    backlog: backlog
      .filter(({ first }) => first <= head)
      .map(({ first, last }) => ({ first, last: Math.min(last, head) })),
  };
}
