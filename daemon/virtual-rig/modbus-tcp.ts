/**
 * The same units behind Modbus TCP: every request has a header with a number, which the reply repeats
 * (MODBUS Messaging on TCP/IP V1.0b, 3.1.3). A unit that is not there gets exception 0B, as a gateway gives it.
 */
import { type MbapFrame, MbapFramer, mbapFrame } from '../../drivers/modbus/mbap-framer.ts';
import type { ModbusBus } from './modbus-unit.ts';

export class ModbusTcpFace {
  readonly #bus: ModbusBus;
  readonly #reply: (frame: Uint8Array, after_s: number) => void;
  readonly #framer = new MbapFramer((frame) => this.#answer(frame));

  /** `reply` gets each request's reply, and how long after the request it may start. */
  constructor(bus: ModbusBus, reply: (frame: Uint8Array, after_s: number) => void) {
    this.#bus = bus;
    this.#reply = reply;
  }

  /** Another client: what the last one left unfinished is forgotten. */
  clear(): void {
    this.#framer.clear();
  }

  /** What came. Bytes that cannot be Modbus TCP are thrown away with their chunk, and counted. */
  receive(bytes: Uint8Array): void {
    if (this.#framer.push(bytes, 0)) return;
    this.#bus.counters.framesRefused++;
    this.#framer.clear();
  }

  #answer({ transaction, unit, pdu }: MbapFrame): void {
    const answer = this.#bus.answer(unit, pdu);
    if (answer !== null) this.#reply(mbapFrame(transaction, unit, answer.pdu), answer.after_s);
  }
}
