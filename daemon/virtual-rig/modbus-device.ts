/**
 * What one virtual Modbus unit answers, whatever the frame round it (Modbus Application Protocol V1.1b3, 6): registers that
 * show the plant (functions 01 to 04), and memory of its own that can be written and read back (05, 06, 15, 16, 22, 23) or
 * read as a queue (24). Exceptions: 01 function not offered, 02 no such address, 03 count or value not allowed (same, 7).
 */
import { type ReadSource, RegisterMap, type RegisterSpec } from './register-map.ts';

/** Coils and holding registers without a meaning, all 0 at the start. */
export interface MemorySpec {
  /** Zero-based address of the first of both. */
  readonly address: number;
  /** How many of each; 0: nothing can be written. */
  readonly count: number;
}

export interface DeviceSpec {
  /** Registers it hands out at a time, at most 125; bits 16 times as many. */
  readonly maxRegisters: number;
  readonly registers: readonly RegisterSpec[];
  readonly memory?: MemorySpec;
}

/** Functions that write and do nothing else. */
const writes: readonly number[] = [5, 6, 15, 16, 22];

/** An answer that is an exception. */
class Refusal {
  readonly code: number;
  constructor(code: number) {
    this.code = code;
  }
}

const noFunction = new Refusal(1);
const noAddress = new Refusal(2);
const badValue = new Refusal(3);

export class ModbusDevice {
  readonly #spec: DeviceSpec;
  readonly #map: RegisterMap;
  readonly #memory: MemorySpec;
  readonly #words: Uint16Array;
  readonly #coils: Uint8Array;

  /** Throws RangeError where two values share an address. */
  constructor(spec: DeviceSpec, readSource: ReadSource) {
    this.#spec = spec;
    this.#map = new RegisterMap(spec.registers, readSource);
    this.#memory = spec.memory ?? { address: 0, count: 0 };
    this.#words = new Uint16Array(this.#memory.count);
    this.#coils = new Uint8Array(this.#memory.count);
  }

  /** The reply to `pdu` (function code and what follows); an exception has the high bit of its function code set. */
  answer(pdu: Uint8Array): Uint8Array {
    const reply = this.#answer(pdu, new DataView(pdu.buffer, pdu.byteOffset, pdu.byteLength));
    return reply instanceof Refusal ? Uint8Array.of(pdu[0]! | 0x80, reply.code) : reply;
  }

  /** A broadcast: writes are carried out, nothing is answered. */
  obey(pdu: Uint8Array): void {
    if (writes.includes(pdu[0]!)) this.answer(pdu);
  }

  #answer(pdu: Uint8Array, view: DataView): Uint8Array | Refusal {
    const code = pdu[0]!;
    const lengths: Readonly<Record<number, number>> = { 1: 5, 2: 5, 3: 5, 4: 5, 5: 5, 6: 5, 22: 7, 24: 3 };
    const least = lengths[code] ?? (code === 15 || code === 16 ? 6 : code === 23 ? 10 : 0);
    if (least === 0) return noFunction;
    if (code in lengths ? pdu.length !== least : pdu.length < least) return badValue;
    if (code <= 2) return this.#readBits(code, view.getUint16(1), view.getUint16(3));
    if (code <= 4) return this.#readWords(code, view.getUint16(1), view.getUint16(3));
    if (this.#memory.count === 0) return noFunction;
    switch (code) {
      case 5: {
        const value = view.getUint16(3);
        if (value !== 0 && value !== 0xff00) return badValue;
        return this.#setCoils(view.getUint16(1), [value === 0 ? 0 : 1]) ?? pdu.slice();
      }
      case 6:
        return this.#setWords(view.getUint16(1), [view.getUint16(3)]) ?? pdu.slice();
      case 15:
        return this.#writeCoils(pdu, view);
      case 16:
        return this.#writeWords(pdu, view, 1, 123) ?? pdu.slice(0, 5);
      case 22:
        return this.#maskWrite(pdu, view);
      case 23: {
        const [from, count] = [view.getUint16(1), view.getUint16(3)];
        if (count === 0 || count > 125) return badValue;
        // Both ranges are looked at before either is touched (same, 6.17): nothing is written when nothing can be read.
        const blocked = this.#readWords(code, from, count);
        const refusal = this.#writeWords(pdu, view, 5, 121, blocked instanceof Refusal ? blocked : null);
        return refusal ?? this.#readWords(code, from, count);
      }
      default:
        return this.#readQueue(view.getUint16(1));
    }
  }

  #readBits(code: number, start: number, count: number): Uint8Array | Refusal {
    if (count === 0 || count > this.#spec.maxRegisters * 16) return badValue;
    const bits =
      code === 1 && this.#isMemory(start, count)
        ? this.#coils.subarray(start - this.#memory.address)
        : this.#map.bits(code === 1 ? 'coil' : 'discrete', start, count);
    if (bits === null) return noAddress;
    const reply = new Uint8Array(2 + Math.ceil(count / 8));
    reply[0] = code;
    reply[1] = reply.length - 2;
    for (let i = 0; i < count; i++) reply[2 + (i >> 3)]! |= bits[i]! << (i & 7);
    return reply;
  }

  #readWords(code: number, start: number, count: number): Uint8Array | Refusal {
    if (count === 0 || count > this.#spec.maxRegisters) return badValue;
    const words =
      code !== 4 && this.#isMemory(start, count)
        ? this.#words.subarray(start - this.#memory.address)
        : this.#map.registers(code === 4 ? 'input' : 'holding', start, count);
    if (words === null) return noAddress;
    const reply = new Uint8Array(2 + 2 * count);
    const view = new DataView(reply.buffer);
    reply[0] = code;
    reply[1] = 2 * count;
    for (let i = 0; i < count; i++) view.setUint16(2 + 2 * i, words[i]!);
    return reply;
  }

  /** The word at `address` says how many words behind it are queued. */
  #readQueue(address: number): Uint8Array | Refusal {
    if (!this.#isMemory(address, 1)) return noAddress;
    const at = address - this.#memory.address;
    const count = this.#words[at]!;
    if (count > 31) return badValue;
    if (!this.#isMemory(address, 1 + count)) return noAddress;
    const reply = new Uint8Array(5 + 2 * count);
    const view = new DataView(reply.buffer);
    reply[0] = 24;
    view.setUint16(1, 2 + 2 * count);
    view.setUint16(3, count);
    for (let i = 0; i < count; i++) view.setUint16(5 + 2 * i, this.#words[at + 1 + i]!);
    return reply;
  }

  #writeCoils(pdu: Uint8Array, view: DataView): Uint8Array | Refusal {
    const count = view.getUint16(3);
    const bytes = pdu[5]!;
    if (count === 0 || count > 1968 || bytes !== Math.ceil(count / 8) || pdu.length !== 6 + bytes)
      return badValue;
    const bits = Array.from({ length: count }, (_, i) => (pdu[6 + (i >> 3)]! >> (i & 7)) & 1);
    return this.#setCoils(view.getUint16(1), bits) ?? pdu.slice(0, 5);
  }

  /** Address, count, byte count and values from `at` on; what is right by itself is still refused as `blocked` says. */
  #writeWords(
    pdu: Uint8Array,
    view: DataView,
    at: number,
    most: number,
    blocked: Refusal | null = null,
  ): Refusal | null {
    const count = view.getUint16(at + 2);
    const bytes = pdu[at + 4]!;
    if (count === 0 || count > most || bytes !== 2 * count || pdu.length !== at + 5 + bytes) return badValue;
    if (blocked !== null) return blocked;
    const words = Array.from({ length: count }, (_, i) => view.getUint16(at + 5 + 2 * i));
    return this.#setWords(view.getUint16(at), words);
  }

  #maskWrite(pdu: Uint8Array, view: DataView): Uint8Array | Refusal {
    const address = view.getUint16(1);
    if (!this.#isMemory(address, 1)) return noAddress;
    const old = this.#words[address - this.#memory.address]!;
    const [and, or] = [view.getUint16(3), view.getUint16(5)];
    return this.#setWords(address, [(old & and) | (or & ~and)]) ?? pdu.slice();
  }

  #setCoils(address: number, bits: readonly number[]): Refusal | null {
    if (!this.#isMemory(address, bits.length)) return noAddress;
    this.#coils.set(bits, address - this.#memory.address);
    return null;
  }

  #setWords(address: number, words: readonly number[]): Refusal | null {
    if (!this.#isMemory(address, words.length)) return noAddress;
    this.#words.set(words, address - this.#memory.address);
    return null;
  }

  #isMemory(start: number, count: number): boolean {
    const { address, count: size } = this.#memory;
    return start >= address && start + count <= address + size;
  }
}
