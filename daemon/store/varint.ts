/** Zigzag LEB128 numbers in a growing buffer: small differences of either sign take one byte. */
export class VarintWriter {
  private bytes: Uint8Array;
  private length = 0;

  constructor(expected: number) {
    this.bytes = new Uint8Array(Math.max(64, expected));
  }

  /** Any 32-bit integer. */
  writeInt32(value: number): void {
    this.reserve(5);
    let zigzag = ((value << 1) ^ (value >> 31)) >>> 0;
    while (zigzag > 127) {
      this.bytes[this.length++] = (zigzag & 127) | 128;
      zigzag >>>= 7;
    }
    this.bytes[this.length++] = zigzag;
  }

  /** Any integer below 2^52 in size. */
  writeSafe(value: number): void {
    this.reserve(8);
    let zigzag = value < 0 ? -value * 2 - 1 : value * 2;
    while (zigzag > 127) {
      this.bytes[this.length++] = (zigzag % 128) | 128;
      zigzag = Math.floor(zigzag / 128);
    }
    this.bytes[this.length++] = zigzag;
  }

  /**
   * Differences of consecutive numbers of one column: `values[start]`, `values[start + stride]`, ...
   * Differences wrap at 32 bits, so any column of int32 comes back exactly.
   */
  writeColumn(values: ArrayLike<number>, start: number, stride: number, count: number): void {
    this.reserve(count * 5);
    const bytes = this.bytes;
    let at = this.length;
    let last = 0;
    for (let i = 0, k = start; i < count; i++, k += stride) {
      const value = values[k] | 0;
      const difference = (value - last) | 0;
      last = value;
      let zigzag = ((difference << 1) ^ (difference >> 31)) >>> 0;
      while (zigzag > 127) {
        bytes[at++] = (zigzag & 127) | 128;
        zigzag >>>= 7;
      }
      bytes[at++] = zigzag;
    }
    this.length = at;
  }

  /** What was written; valid until the next write. */
  view(): Uint8Array {
    return this.bytes.subarray(0, this.length);
  }

  private reserve(extra: number): void {
    if (this.length + extra <= this.bytes.length) return;
    const grown = new Uint8Array(Math.max(this.bytes.length * 2, this.length + extra));
    grown.set(this.view());
    this.bytes = grown;
  }
}

/** The eighth byte of a number counts in these; it is the last that one below 2^52 can have. */
const lastScale = 128 ** 7;

/** Reads what `VarintWriter` wrote; a number that runs past the end, or is longer than any of it, throws `RangeError`. */
export class VarintReader {
  private readonly bytes: Uint8Array;
  private at = 0;

  constructor(bytes: Uint8Array) {
    this.bytes = bytes;
  }

  get isAtEnd(): boolean {
    return this.at === this.bytes.length;
  }

  readSafe(): number {
    let zigzag = 0;
    for (let scale = 1; ; scale *= 128) {
      if (this.at >= this.bytes.length || scale > lastScale) throw new RangeError('a number has no end');
      const byte = this.bytes[this.at++];
      zigzag += (byte & 127) * scale;
      if (byte < 128) return zigzag % 2 === 1 ? -(zigzag + 1) / 2 : zigzag / 2;
    }
  }

  /** The reverse of `writeColumn`. */
  readColumn(into: Int32Array | Float64Array, start: number, stride: number, count: number): void {
    const bytes = this.bytes;
    let at = this.at;
    let last = 0;
    for (let i = 0, k = start; i < count; i++, k += stride) {
      let zigzag = 0;
      for (let shift = 0; ; shift += 7) {
        if (at >= bytes.length) throw new RangeError('a column runs past the end');
        const byte = bytes[at++];
        zigzag |= (byte & 127) << shift;
        if (byte < 128) break;
      }
      last = (last + ((zigzag >>> 1) ^ -(zigzag & 1))) | 0;
      into[k] = last;
    }
    this.at = at;
  }
}
