/**
 * Frames of Modbus TCP in a stream of bytes, however it is cut into chunks (MODBUS Messaging on TCP/IP V1.0b, 3.1.3).
 *
 *   [transaction hi][lo][protocol 0 0][length hi][lo][unit][function][...]
 *   00 07 00 00 00 09 01 03 06 02 2B 00 00 00 64     length counts unit, function and what follows
 *
 * There is no checksum and no way back into step: a header that cannot be one means that the connection is useless.
 */

export interface MbapFrame {
  readonly transaction: number;
  readonly unit: number;
  /** Function code and what follows; a copy that the receiver may keep. */
  readonly pdu: Uint8Array;
  /** Arrival of the chunk that held the first byte. */
  readonly arrival_s: number;
}

export const mbapLength = 7;

/** Longest PDU (Modbus Application Protocol V1.1b3, 4.1), in bytes. */
const longestPdu = 253;

/** `pdu` as it goes over TCP. */
export function mbapFrame(transaction: number, unit: number, pdu: Uint8Array): Uint8Array {
  const frame = new Uint8Array(mbapLength + pdu.length);
  const view = new DataView(frame.buffer);
  view.setUint16(0, transaction);
  view.setUint16(4, pdu.length + 1);
  view.setUint8(6, unit);
  frame.set(pdu, mbapLength);
  return frame;
}

export class MbapFramer {
  readonly #bytes = new Uint8Array(mbapLength + longestPdu);
  readonly #view = new DataView(this.#bytes.buffer);
  readonly #onFrame: (frame: MbapFrame) => void;
  #length = 0;
  #arrival_s = 0;
  #isLost = false;

  constructor(onFrame: (frame: MbapFrame) => void) {
    this.#onFrame = onFrame;
  }

  /** Bytes of a frame that is not complete yet; 260 at most. */
  get pending(): number {
    return this.#length;
  }

  /** Takes a chunk that arrived at `time_s`. False when the stream is no Modbus TCP (any more): until `clear` nothing is found. */
  push(chunk: Uint8Array, time_s: number): boolean {
    for (let taken = 0; taken < chunk.length && !this.#isLost; ) {
      if (this.#length === 0) this.#arrival_s = time_s;
      const wanted = this.#wanted() - this.#length;
      const part = chunk.subarray(taken, taken + wanted);
      this.#bytes.set(part, this.#length);
      this.#length += part.length;
      taken += part.length;
      this.#parse();
    }
    return !this.#isLost;
  }

  /** Begins anew, as with a new connection. */
  clear(): void {
    this.#length = 0;
    this.#isLost = false;
  }

  /** Length that the buffer must have before more can be said. */
  #wanted(): number {
    return this.#length < mbapLength - 1 ? mbapLength - 1 : mbapLength - 1 + this.#view.getUint16(4);
  }

  #parse(): void {
    if (this.#length < mbapLength - 1) return;
    const length = this.#view.getUint16(4);
    if (this.#view.getUint16(2) !== 0 || length < 2 || length > longestPdu + 1) {
      this.#isLost = true;
      this.#length = 0;
      return;
    }
    if (this.#length < mbapLength - 1 + length) return;
    const pdu = this.#bytes.slice(mbapLength, this.#length);
    this.#length = 0;
    this.#onFrame({
      transaction: this.#view.getUint16(0),
      unit: this.#view.getUint8(6),
      pdu,
      arrival_s: this.#arrival_s,
    });
  }
}
