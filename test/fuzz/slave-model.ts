/** What a slave must answer, written a second time from Modbus Application Protocol V1.1b3, 6 and 7, so that the rig's is not judged by itself. */

const noFunction = 1;
const noAddress = 2;
const badValue = 3;

/** Words and coils that can be written stand at these addresses; what else can be read is fixed. */
export const memory = { address: 100, count: 200 } as const;
export const fixedWords: Readonly<Record<'input' | 'holding', ReadonlyMap<number, number>>> = {
  input: new Map([
    [0, 7],
    [1, 0xffff],
    [2, 300],
  ]),
  holding: new Map([
    [10, 42],
    [11, 0x8000],
  ]),
};
export const fixedBits: Readonly<Record<'coil' | 'discrete', ReadonlyMap<number, number>>> = {
  coil: new Map([[20, 1]]),
  discrete: new Map([
    [0, 1],
    [1, 0],
  ]),
};

/** Sixteen bits, high byte first; NaN behind the end, which is in no range. */
const word = (pdu: Uint8Array, at: number) => pdu[at]! * 256 + pdu[at + 1]!;
const bytesOf = (value: number) => [value >> 8, value & 255];
const places = (from: number, count: number) => Array.from({ length: count }, (_, i) => from + i);
const isBetween = (value: number, least: number, most: number) => value >= least && value <= most;

export class SlaveModel {
  readonly words = new Map(places(memory.address, memory.count).map((at) => [at, 0]));
  readonly coils = new Map(places(memory.address, memory.count).map((at) => [at, 0]));

  /** The reply: function code and what follows. */
  answer(pdu: Uint8Array): Uint8Array {
    const reply = this.#answer(pdu);
    return typeof reply === 'number' ? Uint8Array.of(pdu[0]! | 128, reply) : Uint8Array.from(reply);
  }

  #answer(pdu: Uint8Array): readonly number[] | number {
    const [code, a, b] = [pdu[0]!, word(pdu, 1), word(pdu, 3)];
    switch (code) {
      case 1:
      case 2:
        if (pdu.length !== 5 || !isBetween(b, 1, 2000)) return badValue;
        return this.#bits(code, a, b);
      case 3:
      case 4:
        if (pdu.length !== 5 || !isBetween(b, 1, 125)) return badValue;
        return this.#registers(code, a, b);
      case 5:
        if (pdu.length !== 5 || (b !== 0 && b !== 0xff00)) return badValue;
        return this.#write(this.coils, a, [b === 0 ? 0 : 1]) ? [...pdu] : noAddress;
      case 6:
        if (pdu.length !== 5) return badValue;
        return this.#write(this.words, a, [b]) ? [...pdu] : noAddress;
      case 15: {
        if (!isBetween(b, 1, 1968) || pdu[5] !== Math.ceil(b / 8) || pdu.length !== 6 + pdu[5])
          return badValue;
        const bits = places(0, b).map((i) => (pdu[6 + Math.floor(i / 8)]! >> (i % 8)) % 2);
        return this.#write(this.coils, a, bits) ? [...pdu.subarray(0, 5)] : noAddress;
      }
      case 16: {
        if (!isBetween(b, 1, 123) || pdu[5] !== 2 * b || pdu.length !== 6 + 2 * b) return badValue;
        const words = places(0, b).map((i) => word(pdu, 6 + 2 * i));
        return this.#write(this.words, a, words) ? [...pdu.subarray(0, 5)] : noAddress;
      }
      case 22: {
        if (pdu.length !== 7) return badValue;
        const masked = ((this.words.get(a) ?? 0) & b) | (word(pdu, 5) & ~b & 0xffff);
        return this.#write(this.words, a, [masked]) ? [...pdu] : noAddress;
      }
      case 23:
        return this.#readWrite(pdu, a, b);
      case 24:
        return pdu.length === 3 ? this.#queue(a) : badValue;
      default:
        return noFunction;
    }
  }

  /** Both ranges are looked at before either is touched (6.17). */
  #readWrite(pdu: Uint8Array, from: number, count: number): readonly number[] | number {
    const [to, writes] = [word(pdu, 5), word(pdu, 7)];
    const isRight = isBetween(count, 1, 125) && isBetween(writes, 1, 121) && pdu[9] === 2 * writes;
    if (!isRight || pdu.length !== 10 + 2 * writes) return badValue;
    if (typeof this.#registers(23, from, count) === 'number') return noAddress;
    const words = places(0, writes).map((i) => word(pdu, 10 + 2 * i));
    return this.#write(this.words, to, words) ? this.#registers(23, from, count) : noAddress;
  }

  #bits(code: number, start: number, count: number): readonly number[] | number {
    const own = code === 1 ? [this.coils, fixedBits.coil] : [fixedBits.discrete];
    const bits = read(own, start, count);
    if (bits === null) return noAddress;
    const bytes = new Array<number>(Math.ceil(count / 8)).fill(0);
    for (const [i, bit] of bits.entries()) bytes[Math.floor(i / 8)]! += bit * 2 ** (i % 8);
    return [code, bytes.length, ...bytes];
  }

  #registers(code: number, start: number, count: number): readonly number[] | number {
    const own = code === 4 ? [fixedWords.input] : [this.words, fixedWords.holding];
    const words = read(own, start, count);
    return words === null ? noAddress : [code, 2 * count, ...words.flatMap(bytesOf)];
  }

  #queue(address: number): readonly number[] | number {
    const count = this.words.get(address);
    if (count === undefined) return noAddress;
    if (count > 31) return badValue;
    const words = read([this.words], address + 1, count);
    if (words === null) return noAddress;
    return [24, ...bytesOf(2 + 2 * count), ...bytesOf(count), ...words.flatMap(bytesOf)];
  }

  /** False, and nothing is written, where one of the places is none. */
  #write(table: Map<number, number>, start: number, values: readonly number[]): boolean {
    if (read([table], start, values.length) === null) return false;
    for (const [i, value] of values.entries()) table.set(start + i, value);
    return true;
  }
}

function read(tables: readonly ReadonlyMap<number, number>[], start: number, count: number): number[] | null {
  const values = places(start, count).map((at) => tables.find((table) => table.has(at))?.get(at));
  return values.every((value) => value !== undefined) ? values : null;
}
