/** What a virtual Modbus unit shows at which address: values put into registers and bits. */
import type { ModbusTable, ModbusType, WordOrder } from '../../drivers/line-spec.ts';

/** One value in a unit's map. The number shown is (value - `offset`) / `scale`; integers are rounded and held at their ends. */
export interface RegisterSpec {
  readonly table: ModbusTable;
  /** Zero-based address on the wire. */
  readonly address: number;
  readonly type: ModbusType;
  readonly wordOrder: WordOrder;
  /**
   * Sensor id, or `run-contact` (1 = pump runs), `pressure-switch` (1 = tripped). Several: a status word (uint16), one
   * bit each, least significant first.
   */
  readonly sources: readonly string[];
  readonly scale: number;
  readonly offset: number;
}

/** 16-bit registers that a value takes; bits take one place of their own. */
export function registersOf(type: ModbusType): number {
  if (type.endsWith('64')) return 4;
  return type.endsWith('32') ? 2 : 1;
}

/** A reading function per source; the value is in SI. */
export type ReadSource = (source: string) => number;

/** The map of one unit. Every read takes the values of that moment, a whole value at a time. */
export class RegisterMap {
  readonly #entries = new Map<string, { spec: RegisterSpec; word: number }>();
  readonly #readSource: ReadSource;
  readonly #bytes = new Uint8Array(8);
  readonly #view = new DataView(this.#bytes.buffer);

  /** Throws RangeError where two values share an address. */
  constructor(specs: readonly RegisterSpec[], readSource: ReadSource) {
    this.#readSource = readSource;
    for (const spec of specs) {
      for (let word = 0; word < registersOf(spec.type); word++) {
        const key = `${spec.table} ${spec.address + word}`;
        if (this.#entries.has(key)) throw new RangeError(`${key} is used twice`);
        this.#entries.set(key, { spec, word });
      }
    }
  }

  /** Registers `start` to `start + count - 1`, or null where one of them does not exist. */
  registers(table: 'holding' | 'input', start: number, count: number): Uint16Array | null {
    const result = new Uint16Array(count);
    let encoded: RegisterSpec | null = null;
    for (let i = 0; i < count; i++) {
      const entry = this.#entries.get(`${table} ${start + i}`);
      if (entry === undefined) return null;
      // The two halves of a value come from one reading, even if a spike falls between them.
      if (encoded !== entry.spec) this.#encode(entry.spec);
      encoded = entry.spec;
      result[i] = this.#view.getUint16(2 * entry.word);
    }
    return result;
  }

  /** Bits `start` to `start + count - 1` as 0 or 1, or null where one of them does not exist. */
  bits(table: 'coil' | 'discrete', start: number, count: number): Uint8Array | null {
    const result = new Uint8Array(count);
    for (let i = 0; i < count; i++) {
      const entry = this.#entries.get(`${table} ${start + i}`);
      if (entry === undefined) return null;
      result[i] = this.#state(entry.spec.sources[0]!);
    }
    return result;
  }

  #state(source: string): 0 | 1 {
    return this.#readSource(source) >= 0.5 ? 1 : 0;
  }

  /** Fills the scratch bytes with the value as it stands on the wire. */
  #encode(spec: RegisterSpec): void {
    const value =
      spec.sources.length === 1
        ? (this.#readSource(spec.sources[0]!) - spec.offset) / spec.scale
        : spec.sources.reduce((word, source, bit) => word | (this.#state(source) << bit), 0);
    const view = this.#view;
    const held = (low: number, high: number) => Math.min(high, Math.max(low, Math.round(value)));
    switch (spec.type) {
      case 'bit':
        view.setUint16(0, value >= 0.5 ? 1 : 0);
        break;
      case 'int16':
        view.setInt16(0, held(-0x8000, 0x7fff));
        break;
      case 'uint16':
        view.setUint16(0, held(0, 0xffff));
        break;
      case 'int32':
        view.setInt32(0, held(-0x80000000, 0x7fffffff));
        break;
      case 'uint32':
        view.setUint32(0, held(0, 0xffffffff));
        break;
      case 'float32':
        view.setFloat32(0, value);
        break;
      case 'int64':
        view.setBigInt64(0, BigInt(Math.round(value)));
        break;
      case 'uint64':
        view.setBigUint64(0, BigInt(Math.max(0, Math.round(value))));
        break;
      case 'float64':
        view.setFloat64(0, value);
        break;
    }
    this.#reorder(spec);
  }

  /** From ABCD to the order of the device: bytes within a register (B before A), registers within a value (C before A). */
  #reorder(spec: RegisterSpec): void {
    const words = registersOf(spec.type);
    if (words === 1) {
      if (spec.wordOrder === 'BADC' || spec.wordOrder === 'DCBA') this.#swapBytes(1);
      return;
    }
    if (spec.wordOrder === 'BADC' || spec.wordOrder === 'DCBA') this.#swapBytes(words);
    if (spec.wordOrder === 'CDAB' || spec.wordOrder === 'DCBA') {
      for (let i = 0, j = words - 1; i < j; i++, j--) {
        const kept = this.#view.getUint16(2 * i);
        this.#view.setUint16(2 * i, this.#view.getUint16(2 * j));
        this.#view.setUint16(2 * j, kept);
      }
    }
  }

  #swapBytes(words: number): void {
    for (let i = 0; i < words; i++) this.#view.setUint16(2 * i, this.#view.getUint16(2 * i, true));
  }
}
