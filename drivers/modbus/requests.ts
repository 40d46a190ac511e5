/**
 * Every request that is ever sent, and the one form its reply may have (Modbus Application Protocol V1.1b3, 6 and 7).
 *
 *   03 read          03 00 6B 00 03                 ->  03 06 02 2B 00 00 00 64
 *   06 write one     06 00 01 00 03                 ->  the same
 *   16 write many    10 00 01 00 02 04 00 0A 01 02  ->  10 00 01 00 02
 *   24 read queue    18 04 DE                       ->  18 00 06 00 02 01 B8 12 84
 *   exception        03 00 6B 00 03                 ->  83 02
 *
 * Unit address and CRC (serial line) or header (TCP) come round it: `rtu-framer.ts`, `mbap-framer.ts`.
 */
import type { ModbusTable } from '../line-spec.ts';
import { dataBytes, exceptionBit, isBitTable, readFunction, readLimit } from './protocol.ts';

/** What a reply looks like behind its function code. */
export type ReplyForm =
  /** A count byte, then so many bytes. */
  | { readonly kind: 'data'; readonly byteCount: number }
  /** These very bytes: the reply to a write repeats what was asked. */
  | { readonly kind: 'echo'; readonly bytes: Uint8Array }
  /** Two bytes with the length, two with the number of registers (31 at most), the registers. */
  | { readonly kind: 'queue' };

export interface Request {
  readonly functionCode: number;
  /** Function code and what follows it. */
  readonly pdu: Uint8Array;
  readonly form: ReplyForm;
}

/** Most values one request may write (Modbus Application Protocol V1.1b3, 6.11, 6.12, 6.17). */
const writeLimit = { bits: 1968, registers: 123, registersBesideRead: 121 } as const;

/** Most registers of a queue (same, 6.18). */
export const queueLimit = 31;

const writing = new Set([5, 6, 15, 16, 22, 23]);

/** Whether a request changes something in the device. */
export function isWrite({ functionCode }: Request): boolean {
  return writing.has(functionCode);
}

/** Reads `count` bits or registers from zero-based `address`. Throws RangeError outside the protocol's limits. */
export function readRequest(table: ModbusTable, address: number, count: number): Request {
  checkSpan(table, address, count, isBitTable(table) ? readLimit.bits : readLimit.registers);
  return {
    functionCode: readFunction[table],
    pdu: pduOf(readFunction[table], address, count),
    form: { kind: 'data', byteCount: dataBytes(table, count) },
  };
}

/** Reads the queue at zero-based `address`, 31 registers at most. Throws RangeError outside the table. */
export function readQueueRequest(address: number): Request {
  checkSpan('queue', address, 1, 1);
  return { functionCode: 24, pdu: pduOf(24, address), form: { kind: 'queue' } };
}

/** Sets one coil. Throws RangeError outside the table. */
export function writeCoilRequest(address: number, isOn: boolean): Request {
  checkSpan('coil', address, 1, 1);
  return echoed(pduOf(5, address, isOn ? 0xff00 : 0));
}

/** Sets one holding register (0 to 65535). Throws RangeError outside that. */
export function writeRegisterRequest(address: number, value: number): Request {
  checkSpan('holding', address, 1, 1);
  return echoed(pduOf(6, address, word(value)));
}

/** Sets coils from `address` on. Throws RangeError outside the protocol's limits. */
export function writeCoilsRequest(address: number, values: readonly boolean[]): Request {
  checkSpan('coil', address, values.length, writeLimit.bits);
  const data = new Uint8Array(Math.ceil(values.length / 8));
  values.forEach((isOn, i) => {
    if (isOn) data[i >> 3]! |= 1 << (i & 7);
  });
  return echoed(join(pduOf(15, address, values.length), Uint8Array.of(data.length), data), 5);
}

/** Sets holding registers from `address` on. Throws RangeError outside the protocol's limits. */
export function writeRegistersRequest(address: number, values: readonly number[]): Request {
  checkSpan('holding', address, values.length, writeLimit.registers);
  const data = wordsOf(values);
  return echoed(join(pduOf(16, address, values.length), Uint8Array.of(data.length), data), 5);
}

/** Sets a holding register to (old AND `and`) OR (`or` AND NOT `and`). Throws RangeError outside 16 bits. */
export function maskWriteRequest(address: number, and: number, or: number): Request {
  checkSpan('holding', address, 1, 1);
  return echoed(pduOf(22, address, word(and), word(or)));
}

/** Writes registers, then reads `count` from `readAddress`, in one request. Throws RangeError outside the limits. */
export function readWriteRequest(
  readAddress: number,
  count: number,
  writeAddress: number,
  values: readonly number[],
): Request {
  checkSpan('holding', readAddress, count, readLimit.registers);
  checkSpan('holding', writeAddress, values.length, writeLimit.registersBesideRead);
  const data = wordsOf(values);
  const head = pduOf(23, readAddress, count, writeAddress, values.length);
  return {
    functionCode: 23,
    pdu: join(head, Uint8Array.of(data.length), data),
    form: { kind: 'data', byteCount: 2 * count },
  };
}

/** Longest reply to `request`, function code included, in bytes. */
export function longestReply({ form }: Request): number {
  if (form.kind === 'data') return 2 + form.byteCount;
  return form.kind === 'echo' ? 1 + form.bytes.length : 5 + 2 * queueLimit;
}

/** What stands behind the counts of a reply that has the form of `request`. */
export function payload({ form }: Request, pdu: Uint8Array): Uint8Array {
  return pdu.subarray(form.kind === 'data' ? 2 : form.kind === 'echo' ? 1 : 5);
}

/** The first `replySize` cannot tell yet: so many bytes there must be at least. */
const headerLength = 5;

/**
 * Length of the reply to `request`, or of an exception to it, that begins with its function code at `at`; 0 when what
 * stands there before `end` cannot be one. With less than `headerLength` bytes the answer may be a length too soon.
 */
export function replySize(request: Request, bytes: Uint8Array, at: number, end: number): number {
  const functionCode = bytes[at]!;
  if (functionCode === (request.functionCode | exceptionBit)) return 2;
  if (functionCode !== request.functionCode) return 0;
  const { form } = request;
  if (form.kind === 'data') return bytes[at + 1] === form.byteCount ? 2 + form.byteCount : 0;
  if (form.kind === 'echo') {
    for (let i = 0; i < form.bytes.length && at + 1 + i < end; i++) {
      if (bytes[at + 1 + i] !== form.bytes[i]) return 0;
    }
    return 1 + form.bytes.length;
  }
  if (end - at < headerLength) return headerLength;
  const length = (bytes[at + 1]! << 8) | bytes[at + 2]!;
  const count = (bytes[at + 3]! << 8) | bytes[at + 4]!;
  return count <= queueLimit && length === 2 + 2 * count ? 3 + length : 0;
}

/** Whether `pdu` is a whole reply to `request`, or an exception to it. */
export function isReply(request: Request, pdu: Uint8Array): boolean {
  return pdu.length > 1 && replySize(request, pdu, 0, pdu.length) === pdu.length;
}

function checkSpan(what: string, address: number, count: number, limit: number): void {
  if (!(Number.isInteger(count) && count >= 1 && count <= limit)) {
    throw new RangeError(`count ${count} of ${what}: allowed are 1 to ${limit}`);
  }
  if (!(Number.isInteger(address) && address >= 0 && address + count <= 0x10000)) {
    throw new RangeError(`address ${address} + ${count} of ${what}: allowed is up to 65536 in all`);
  }
}

function word(value: number): number {
  if (Number.isInteger(value) && value >= 0 && value <= 0xffff) return value;
  throw new RangeError(`register value ${value}: allowed are 0 to 65535`);
}

function echoed(pdu: Uint8Array, length = pdu.length): Request {
  return { functionCode: pdu[0]!, pdu, form: { kind: 'echo', bytes: pdu.slice(1, length) } };
}

function pduOf(functionCode: number, ...words: readonly number[]): Uint8Array {
  return join(Uint8Array.of(functionCode), wordsOf(words));
}

function wordsOf(words: readonly number[]): Uint8Array {
  const bytes = new Uint8Array(2 * words.length);
  words.forEach((value, i) => {
    bytes[2 * i] = word(value) >> 8;
    bytes[2 * i + 1] = value & 0xff;
  });
  return bytes;
}

function join(...parts: readonly Uint8Array[]): Uint8Array {
  return Uint8Array.from(parts.flatMap((part) => [...part]));
}
