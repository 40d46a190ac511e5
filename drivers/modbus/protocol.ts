/**
 * Limits, names and times of the protocol, and the frame of a serial line. What is asked: `requests.ts`.
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

/** Bytes of a serial frame beside its PDU: unit and CRC. */
export const around = 3;

/** Bytes of the shortest frame, an exception, with unit and CRC. */
export const exceptionLength = 2 + around;

/** Address that every device of a serial line obeys and none answers (Modbus over Serial Line V1.02, 2.1). */
export const broadcast = 0;

/** After a broadcast the devices are left so long, in s, to do it (same, 2.4.1: 100 to 200 ms are usual). */
export const broadcastPause_s = 0.1;

/** Exceptions that change what is asked next (Modbus Application Protocol V1.1b3, 7). */
export const exceptionCode = {
  illegalAddress: 2,
  illegalValue: 3,
  acknowledge: 5,
  busy: 6,
  noPath: 10,
  noResponse: 11,
} as const;

/** Longest frame on a serial line, in bytes (Modbus over Serial Line V1.02, 2.5.1). */
export const longestFrame = 256;

export function isBitTable(table: ModbusTable): boolean {
  return table === 'coil' || table === 'discrete';
}

/** Data bytes of the reply to a request for `count` bits or registers. */
export function dataBytes(table: ModbusTable, count: number): number {
  return isBitTable(table) ? Math.ceil(count / 8) : 2 * count;
}

/** `pdu` as it goes over a serial line: unit before it, CRC behind it. */
export function serialFrame(unit: number, pdu: Uint8Array): Uint8Array {
  const frame = new Uint8Array(pdu.length + around);
  frame[0] = unit;
  frame.set(pdu, 1);
  const crc = crc16(frame, 0, pdu.length + 1);
  frame[pdu.length + 1] = crc & 0xff;
  frame[pdu.length + 2] = crc >> 8;
  return frame;
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
