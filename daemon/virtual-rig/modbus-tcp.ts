/**
 * The same units behind Modbus TCP: every request has a header with a number, which the reply repeats
 * (MODBUS Messaging on TCP/IP V1.0b, 3.1.3). A unit that is not there gets exception 0B, as a gateway gives it.
 *
 *   transaction u16 | protocol 0 u16 | length u16 | unit | function ...
 */
import type { ModbusBus } from './modbus-unit.ts';

/** Header without the unit, which `length` counts. */
const header_bytes = 6;

/** Requests longer than this are none (same, 4.2.1: 260 bytes with header). */
const longest_bytes = 254;

export class ModbusTcpFace {
  readonly #bus: ModbusBus;
  readonly #reply: (frame: Uint8Array, after_s: number) => void;
  #received: Uint8Array = new Uint8Array(0);

  /** `reply` gets each request's reply, and how long after the request it may start. */
  constructor(bus: ModbusBus, reply: (frame: Uint8Array, after_s: number) => void) {
    this.#bus = bus;
    this.#reply = reply;
  }

  /** Another client: what the last one left unfinished is forgotten. */
  clear(): void {
    this.#received = new Uint8Array(0);
  }

  /** What came, cut into requests. Bytes that cannot be Modbus TCP are thrown away with what follows, and counted. */
  receive(bytes: Uint8Array): void {
    let rest = Uint8Array.from([...this.#received, ...bytes]);
    while (rest.length >= header_bytes) {
      const view = new DataView(rest.buffer, rest.byteOffset, rest.byteLength);
      const length = view.getUint16(4);
      if (view.getUint16(2) !== 0 || length < 2 || length > longest_bytes) {
        this.#bus.counters.framesRefused++;
        rest = new Uint8Array(0);
        break;
      }
      if (rest.length < header_bytes + length) break;
      this.#answer(rest.slice(0, header_bytes + length));
      rest = rest.slice(header_bytes + length);
    }
    this.#received = rest;
  }

  #answer(request: Uint8Array): void {
    const answer = this.#bus.answer(request[6]!, request.slice(7));
    if (answer === null) return;
    const frame = new Uint8Array(header_bytes + 1 + answer.pdu.length);
    frame.set(request.subarray(0, 4));
    new DataView(frame.buffer).setUint16(4, 1 + answer.pdu.length);
    frame[6] = request[6]!;
    frame.set(answer.pdu, 7);
    this.#reply(frame, answer.after_s);
  }
}
