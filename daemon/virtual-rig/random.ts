/** Seeded random numbers, so that a rig with the same seed makes the same noise and the same faults. */

/** Generator of Marsaglia's xorshift family with 32-bit state (mulberry32, public domain; from memory). Not for secrets. */
export class Random {
  #state: number;
  #spare = Number.NaN;

  /** Equal seeds give equal sequences; `stream` makes independent ones from one seed. */
  constructor(seed: number, stream = '') {
    let state = seed >>> 0;
    for (let i = 0; i < stream.length; i++) state = Math.imul(state ^ stream.charCodeAt(i), 0x01000193) >>> 0;
    this.#state = state;
  }

  /** Evenly distributed in 0 <= x < 1. */
  uniform(): number {
    this.#state = (this.#state + 0x6d2b79f5) >>> 0;
    let mixed = this.#state;
    mixed = Math.imul(mixed ^ (mixed >>> 15), mixed | 1);
    mixed ^= mixed + Math.imul(mixed ^ (mixed >>> 7), mixed | 61);
    return ((mixed ^ (mixed >>> 14)) >>> 0) / 4294967296;
  }

  between(low: number, high: number): number {
    return low + (high - low) * this.uniform();
  }

  /** Mean 0, standard deviation 1 (polar method, Knuth, The Art of Computer Programming 3.4.1 C). */
  normal(): number {
    const spare = this.#spare;
    if (!Number.isNaN(spare)) {
      this.#spare = Number.NaN;
      return spare;
    }
    let x = 0;
    let y = 0;
    let square = 0;
    do {
      x = 2 * this.uniform() - 1;
      y = 2 * this.uniform() - 1;
      square = x * x + y * y;
    } while (square >= 1 || square === 0);
    const factor = Math.sqrt((-2 * Math.log(square)) / square);
    this.#spare = y * factor;
    return x * factor;
  }

  /** How many trials pass before one of probability `rate` comes true; infinite for rate 0. */
  trialsUntil(rate: number): number {
    if (rate <= 0) return Number.POSITIVE_INFINITY;
    if (rate >= 1) return 0;
    return Math.floor(Math.log(1 - this.uniform()) / Math.log1p(-rate));
  }
}
