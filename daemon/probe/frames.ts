/** Where a reply ends, for the few functions a probe uses (Modbus Application Protocol V1.1b3, 6.1-6.4, 6.21 and 7). */
import { crc16 } from '../../drivers/modbus/crc.ts';
import { mbapLength } from '../../drivers/modbus/mbap-framer.ts';
import { exceptionBit } from '../../drivers/modbus/protocol.ts';

/** Function 43 with MEI type 14: read device identification. */
export const identifyFunction = 0x2b;
export const identifyType = 0x0e;

/** Length of the reply that begins at `from` with its function code; null while too little of it is there to tell. */
export function replyEnd(bytes: Uint8Array, from: number): number | null {
  const functionCode = bytes[from];
  if (functionCode === undefined) return null;
  if ((functionCode & exceptionBit) !== 0) return 2;
  if (functionCode >= 1 && functionCode <= 4) {
    const count = bytes[from + 1];
    return count === undefined ? null : 2 + count;
  }
  if (functionCode === identifyFunction) return identificationEnd(bytes, from);
  return 2;
}

/** [43][14][code][conformity][more follows][next id][objects] then id, length, text of each object. */
function identificationEnd(bytes: Uint8Array, from: number): number | null {
  const objects = bytes[from + 6];
  if (objects === undefined) return null;
  let length = 7;
  for (let object = 0; object < objects; object++) {
    const size = bytes[from + length + 1];
    if (size === undefined) return null;
    length += 2 + size;
  }
  return length;
}

/** A reply found among the bytes of a line. */
export interface FoundReply {
  /** Function code and what follows it, without unit and CRC. */
  readonly pdu: Uint8Array;
  /** Index of its first byte. */
  readonly at: number;
}

/** First frame of `unit` that answers `functionCode` with a right CRC; null when there is none (yet). */
export function findRtuReply(bytes: Uint8Array, unit: number, functionCode: number): FoundReply | null {
  for (let at = 0; at + 5 <= bytes.length; at++) {
    if (bytes[at] !== unit || (bytes[at + 1]! & ~exceptionBit) !== functionCode) continue;
    const length = replyEnd(bytes, at + 1);
    if (length === null || at + 1 + length + 2 > bytes.length) continue;
    if (crc16(bytes, at, at + length + 3) === 0) return { pdu: bytes.slice(at + 1, at + 1 + length), at };
  }
  return null;
}

/** The reply to `transaction`; null while it has not come. Anything else in the stream is passed over. */
export function findTcpReply(bytes: Uint8Array, transaction: number): FoundReply | null {
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  for (let at = 0; at + mbapLength < bytes.length; ) {
    const length = view.getUint16(at + 4);
    if (view.getUint16(at + 2) !== 0 || length < 2 || length > 254) return null;
    const end = at + 6 + length;
    if (end > bytes.length) return null;
    if (view.getUint16(at) === transaction) return { pdu: bytes.slice(at + mbapLength, end), at };
    at = end;
  }
  return null;
}
