/**
 * Finds a message that a broker hangs up at. Protocol 3.1.1 has no other refusal (OASIS, 4.8), and such a message would hold up
 * all behind it. A broker that hangs up at everything, and a bad line, must not cost a message.
 */

/** Smaller ones are taken everywhere: below it the broker has another reason. In bytes. */
const harmless_bytes = 4096;
const mostHangUps = 3;
/** Codes of a DISCONNECT that may blame a message (MQTT 5.0, 3.14.2.1): no reason, malformed, protocol, topic, too large, format. */
const messageToBlame = [0, 128, 129, 130, 131, 144, 149, 153];

export class Suspect {
  /** Nothing was acknowledged yet: then it is the broker, not the message. */
  #largest_bytes = Number.POSITIVE_INFINITY;
  /** Where the broker hung up: from the first without an acknowledgement to the last that was sent. Fresh ones may come between. */
  #doubtful: { readonly first: number; readonly last: number } | null = null;
  #seq = 0;
  #hangUps = 0;

  /** Each goes when the one before is acknowledged: only then it is known where the broker hangs up. */
  mustGoAlone(messages: readonly { readonly seq: number }[]): boolean {
    return messages.some(({ seq }) => this.#isDoubtful(seq));
  }

  acknowledged(seq: number, size_bytes: number): void {
    const before_bytes = Number.isFinite(this.#largest_bytes) ? this.#largest_bytes : harmless_bytes;
    this.#largest_bytes = Math.max(before_bytes, size_bytes);
    this.settled(seq);
  }

  /** No doubt is left about this message. */
  settled(seq: number): void {
    if (this.#doubtful === null || !this.#isDoubtful(seq)) return;
    const { last } = this.#doubtful;
    this.#doubtful = seq < last ? { first: seq + 1, last } : null;
  }

  /**
   * The connection ended with `first` to `last` on their way, the first of this size. `code` is the broker's own, null when it
   * said none. True when the first is to blame.
   */
  hungUpAt(first: number, last: number, size_bytes: number, code: number | null): boolean {
    if (!messageToBlame.includes(code ?? 0)) return false;
    if (!this.#isDoubtful(first)) this.#doubtful = { first, last };
    if (first !== last) return false;
    this.#hangUps = this.#seq === first ? this.#hangUps + 1 : 1;
    this.#seq = first;
    return this.#hangUps >= mostHangUps && size_bytes > this.#largest_bytes;
  }

  #isDoubtful(seq: number): boolean {
    return this.#doubtful !== null && this.#doubtful.first <= seq && seq <= this.#doubtful.last;
  }
}
