/** When messages were queued, for as long as that matters. */

/** Older marks are forgotten, in s. */
const memory_s = 60;

export class QueueAges {
  readonly #marks: { readonly seq: number; readonly at_s: number }[];

  /** Everything up to `head` counts as old. */
  constructor(head: number) {
    this.#marks = [{ seq: head, at_s: Number.NEGATIVE_INFINITY }];
  }

  /** Everything up to `head` has been queued by now. */
  mark(head: number, now_s: number): void {
    this.#marks.push({ seq: head, at_s: now_s });
    while (this.#marks.length > 2 && this.#marks[1]!.at_s < now_s - memory_s) this.#marks.shift();
  }

  /** The newest message that was queued at `at_s` or before. */
  upTo(at_s: number): number {
    for (let k = this.#marks.length - 1; k > 0; k--) {
      const mark = this.#marks[k]!;
      if (mark.at_s <= at_s) return mark.seq;
    }
    return this.#marks[0]!.seq;
  }
}
