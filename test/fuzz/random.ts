/** A fast seeded generator and the damage that lines and disks do to bytes. */

/** Marsaglia's xorshift with 32 bits of state ("Xorshift RNGs", 2003; from memory): quick, and good enough to break parsers. */
export class Random {
  #state: number;

  constructor(seed: number) {
    // Neighbouring seeds must not give neighbouring streams; 0 is the one state that never leaves itself.
    this.#state = Math.imul(seed ^ 0x9e3779b9, 0x85ebca6b) | 0 || 1;
    for (let i = 0; i < 8; i++) this.bits();
  }

  /** 32 random bits as a signed integer. */
  bits(): number {
    let x = this.#state;
    x ^= x << 13;
    x ^= x >>> 17;
    x ^= x << 5;
    this.#state = x;
    return x;
  }

  /** A whole number 0 to `end` - 1. */
  below(end: number): number {
    return Math.floor(((this.bits() >>> 0) / 0x100000000) * end);
  }

  /** True once in `n`. */
  oneIn(n: number): boolean {
    return this.below(n) === 0;
  }

  pick<T>(from: readonly T[]): T {
    return from[this.below(from.length)]!;
  }

  /** Fills with noise. */
  fill(bytes: Uint8Array): Uint8Array {
    for (let i = 0; i < bytes.length; i++) bytes[i] = this.bits() >>> 11;
    return bytes;
  }
}

/** Bytes that sit at the edges of what parsers expect. */
const edges = [0, 1, 2, 0x7f, 0x80, 0xfe, 0xff, 0xa5, 0x5a, 10, 13, 34, 44, 59];

/** A damaged copy: bits turned, bytes replaced, pieces cut out, doubled, moved, put in, the end torn off. */
export function mutate(source: Uint8Array, random: Random): Uint8Array {
  let bytes = Uint8Array.from(source);
  for (let more = 1 + random.below(4); more > 0 && bytes.length > 0; more--) {
    const at = random.below(bytes.length);
    const end = Math.min(bytes.length, at + 1 + random.below(random.oneIn(4) ? 64 : 8));
    switch (random.below(8)) {
      case 0:
        bytes[at]! ^= 1 << random.below(8);
        break;
      case 1:
        bytes[at] = random.pick(edges);
        break;
      case 2:
        bytes[at] = random.bits();
        break;
      case 3:
        bytes = Uint8Array.from([...bytes.subarray(0, at), ...bytes.subarray(end)]);
        break;
      case 4:
        bytes = Uint8Array.from([...bytes.subarray(0, end), ...bytes.subarray(at)]);
        break;
      case 5:
        bytes.copyWithin(at, random.below(bytes.length), end);
        break;
      case 6:
        random.fill(bytes.subarray(at, end));
        break;
      default:
        bytes = bytes.slice(0, at);
    }
  }
  return bytes;
}

/** Cuts `bytes` into pieces of random lengths, as reads do: up to `many`, every third up to `few`. */
export function inPieces(
  bytes: Uint8Array,
  few: number,
  many: number,
  random: Random,
  take: (piece: Uint8Array) => void,
): void {
  for (let at = 0; at < bytes.length; ) {
    const to = at + 1 + random.below(random.oneIn(3) ? few : many);
    take(bytes.subarray(at, to));
    at = to;
  }
}
