/**
 * Requests and replies of the four reading functions (Modbus Application Protocol V1.1b3, 6.1-6.4 and 7).
 *
 *   request    [unit][function][address hi][lo][count hi][lo][crc lo][hi]        01 03 00 6B 00 03 74 17
 *   reply      [unit][function][byte count][data ...][crc lo][hi]                01 03 06 02 2B 00 00 00 64 05 7A
 *   exception  [unit][function + 80h][code][crc lo][hi]                          01 81 02 C1 91
 *
 * A reply carries neither the address nor a transaction number: see `unanswered.ts` for what follows from that.
 */
import type { ModbusTable } from '../line-spec.ts';
import { crc16 } from './crc.ts';

/** Function code that reads a table. */
export const readFunction: Readonly<Record<ModbusTable, number>> = {
  coil: 1,
  discrete: 2,
  holding: 3,
  input: 4,
};

/** Set in the function code of a reply that reports an exception. */
export const exceptionBit = 0x80;

/** Most bits and registers one request may ask for (Modbus Application Protocol V1.1b3, 6.1-6.4). */
export const readLimit = { bits: 2000, registers: 125 } as const;

/** Bytes of a request to read, and of an exception, with unit and CRC. */
export const requestLength = 8;
export const exceptionLength = 5;

/** Longest frame on a serial line, in bytes (Modbus over Serial Line V1.02, 2.5.1). */
export const longestFrame = 256;

export function isBitTable(table: ModbusTable): boolean {
  return table === 'coil' || table === 'discrete';
}

/** The request to read `count` bits or registers from zero-based `address`. Throws RangeError outside the protocol's limits. */
export function encodeRead(unit: number, table: ModbusTable, address: number, count: number): Uint8Array {
  const limit = isBitTable(table) ? readLimit.bits : readLimit.registers;
  if (!(Number.isInteger(unit) && unit >= 1 && unit <= 247)) {
    throw new RangeError(`unit ${unit}: allowed are 1 to 247`);
  }
  if (!(Number.isInteger(count) && count >= 1 && count <= limit)) {
    throw new RangeError(`count ${count} of ${table}: allowed are 1 to ${limit}`);
  }
  if (!(Number.isInteger(address) && address >= 0 && address + count <= 0x10000)) {
    throw new RangeError(`address ${address} + ${count} of ${table}: allowed is up to 65536 in all`);
  }
  const frame = new Uint8Array(requestLength);
  const view = new DataView(frame.buffer);
  view.setUint8(0, unit);
  view.setUint8(1, readFunction[table]);
  view.setUint16(2, address);
  view.setUint16(4, count);
  view.setUint16(6, crc16(frame, 0, 6), true);
  return frame;
}

/** Data bytes of the reply to a request for `count` bits or registers. */
export function dataBytes(table: ModbusTable, count: number): number {
  return isBitTable(table) ? Math.ceil(count / 8) : 2 * count;
}

/** Length of a whole reply frame with `byteCount` data bytes. */
export function replyLength(byteCount: number): number {
  return 5 + byteCount;
}

/** Names of Modbus Application Protocol V1.1b3, 7. */
const exceptionNames: Readonly<Record<number, string>> = {
  1: 'illegal function',
  2: 'illegal data address',
  3: 'illegal data value',
  4: 'server device failure',
  5: 'acknowledge',
  6: 'server device busy',
  8: 'memory parity error',
  10: 'gateway path unavailable',
  11: 'gateway target device failed to respond',
};

/** Name of an exception code; codes outside the published table read `code <n>`. */
export function exceptionName(code: number): string {
  return exceptionNames[code] ?? `code ${code}`;
}

/** Longest silence that a frame may hold is 1.5 characters; 3.5 end it. Above 19 200 baud a fixed time is recommended. */
const fixedSilence = { above_baud: 19200, silence_s: 1.75e-3 } as const;

/** Silence that must precede a request, in s (Modbus over Serial Line V1.02, 2.5.1.1). 0 for TCP: the gateway keeps it. */
export function silence_s(baud: number | null, characterTime_s: number): number {
  if (baud === null) return 0;
  return baud > fixedSilence.above_baud ? fixedSilence.silence_s : 3.5 * characterTime_s;
}
