/**
 * Finds a message that a broker hangs up at. Protocol 3.1.1 has no other refusal (OASIS, 4.8), and such a message would hold up
 * all behind it. A broker that hangs up at everything, and a bad line, must not cost a message.
 */

/** Smaller ones are taken everywhere: below it the broker has another reason. In bytes. */
const harmless_bytes = 4096;
const mostHangUps = 3;

export class Suspect {
  /** The next message goes when the one before is acknowledged: only then it is known where the broker hung up. */
  mustGoAlone = false;
  /** Nothing was acknowledged yet: then it is the broker, not the message. */
  #largest_bytes = Number.POSITIVE_INFINITY;
  #seq = 0;
  #hangUps = 0;

  acknowledged(size_bytes: number): void {
    const before_bytes = Number.isFinite(this.#largest_bytes) ? this.#largest_bytes : harmless_bytes;
    this.#largest_bytes = Math.max(before_bytes, size_bytes);
  }

  batchSettled(): void {
    this.mustGoAlone = false;
  }

  /** The connection ended with this message as the first without an acknowledgement. True when it is to blame. */
  hungUpAt(seq: number, size_bytes: number): boolean {
    if (!this.mustGoAlone) {
      this.mustGoAlone = true;
      return false;
    }
    this.#hangUps = this.#seq === seq ? this.#hangUps + 1 : 1;
    this.#seq = seq;
    return this.#hangUps >= mostHangUps && size_bytes > this.#largest_bytes;
  }
}
