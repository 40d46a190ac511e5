/**
 * Takes our own requests out of what comes back on a two-wire line whose adapter echoes. A request to write would
 * else be taken for its own reply: the two are alike to the last byte.
 */

export class EchoFilter {
  readonly #pass: (bytes: Uint8Array, time_s: number) => void;
  readonly #mismatched: () => void;
  #expected: Uint8Array = new Uint8Array(0);
  #matched = 0;

  /** `pass` gets what is no echo; `mismatched` is called when anything but the echo came first. */
  constructor(pass: (bytes: Uint8Array, time_s: number) => void, mismatched: () => void) {
    this.#pass = pass;
    this.#mismatched = mismatched;
  }

  /** `request` is being sent; its echo is the next that comes. */
  sent(request: Uint8Array): void {
    this.#expected = request;
    this.#matched = 0;
  }

  push(chunk: Uint8Array, time_s: number): void {
    const expected = this.#expected;
    let at = 0;
    while (this.#matched < expected.length && at < chunk.length) {
      if (chunk[at] !== expected[this.#matched]) {
        // No echo, a damaged one, or another that talks at the same time: what looked like one is given back.
        const held = expected.subarray(0, this.#matched);
        this.#expected = new Uint8Array(0);
        this.#matched = 0;
        this.#mismatched();
        if (held.length > 0) this.#pass(held, time_s);
        break;
      }
      this.#matched++;
      at++;
    }
    if (at < chunk.length) this.#pass(chunk.subarray(at), time_s);
  }
}
