/** One question at a time to an unknown bus, gently: a rest before each, a quarantine after each that was not answered. */
import { setTimeout as delay } from 'node:timers/promises';
import { characterTime_s } from '../../drivers/character-time.ts';
import { monotonic_s } from '../../drivers/driver.ts';
import type { LinkSpec } from '../../drivers/line-spec.ts';
import { describeOpenError } from '../../drivers/link.ts';
import { mbapFrame } from '../../drivers/modbus/mbap-framer.ts';
import { exceptionBit, exceptionName, serialFrame, silence_s } from '../../drivers/modbus/protocol.ts';
import { openTransport, type Transport } from '../../drivers/transport.ts';
import { UnavailableError } from '../errors.ts';
import { type FoundReply, findRtuReply, findTcpReply } from './frames.ts';

/** How requests travel. */
export type Wrapping = 'rtu' | 'tcp';

/** What came of one question. */
export type Answer =
  | {
      readonly kind: 'reply';
      /** What follows the function code. */
      readonly data: Uint8Array;
      /** End of the request to the first byte of the reply, in s. */
      readonly turnaround_s: number;
      /** The adapter sent the request back first. */
      readonly hasEcho: boolean;
    }
  | {
      readonly kind: 'exception';
      readonly code: number;
      readonly name: string;
      readonly turnaround_s: number;
    }
  | { readonly kind: 'silent' }
  /** Bytes came, but no whole reply: wrong baud rate or format, two devices of one address, a disturbed line. */
  | { readonly kind: 'damaged'; readonly bytes: number };

/** Rest before a request, in s: a bus with other traffic of its own must not be crowded. */
const rest_s = 0.01;

export class Asker {
  readonly wrapping: Wrapping;
  /** Questions asked so far. */
  asked = 0;
  readonly #timeout_s: number;
  readonly #character_s: number;
  readonly #silence_s: number;
  #transport: Transport | null = null;
  #received: Uint8Array = new Uint8Array(0);
  #first_s = 0;
  #lost: Error | null = null;
  #wake: () => void = () => undefined;
  #transaction = 0;

  private constructor(link: LinkSpec, wrapping: Wrapping, timeout_s: number) {
    this.wrapping = wrapping;
    this.#timeout_s = timeout_s;
    this.#character_s = characterTime_s(link);
    this.#silence_s = silence_s(link.kind === 'serial' ? link.baud : null, this.#character_s);
  }

  /** Opens the link once. Throws UnavailableError that says why it cannot be had and what to do. */
  static async open(link: LinkSpec, wrapping: Wrapping, timeout_s: number): Promise<Asker> {
    const asker = new Asker(link, wrapping, timeout_s);
    try {
      asker.#transport = await openTransport(link, null, {
        data: (chunk, time_s) => asker.#take(chunk, time_s),
        lost: (error) => asker.#lose(error),
      });
    } catch (error) {
      const { why } = describeOpenError(link, error as Error);
      throw new UnavailableError(why, { cause: error });
    }
    return asker;
  }

  /** Asks `unit` with function code and what follows it. Throws UnavailableError when the link goes. */
  async ask(unit: number, pdu: Uint8Array): Promise<Answer> {
    this.asked++;
    await delay(Math.max(rest_s, this.#silence_s) * 1000);
    this.#transport?.discardInput();
    this.#received = new Uint8Array(0);
    this.#transaction = (this.#transaction + 1) & 0xffff;
    const request =
      this.wrapping === 'rtu' ? serialFrame(unit, pdu) : mbapFrame(this.#transaction, unit, pdu);
    const written_s = monotonic_s();
    this.#transport?.write(request);
    const end_s = written_s + request.length * this.#character_s;
    const answer = await this.#listen(unit, pdu[0]!, request, end_s);
    // Whatever was not answered in time may still be on its way: it must not meet the next question.
    if (answer.kind === 'silent' || answer.kind === 'damaged') await this.#quiet();
    return answer;
  }

  async close(): Promise<void> {
    await this.#transport?.close();
    this.#transport = null;
  }

  async #listen(unit: number, functionCode: number, request: Uint8Array, end_s: number): Promise<Answer> {
    // The longest reply of a probe is 125 registers.
    const until_s = end_s + this.#timeout_s + 260 * this.#character_s;
    for (;;) {
      if (this.#lost !== null) throw new UnavailableError(`the line was lost: ${this.#lost.message}`);
      const echo = this.wrapping === 'rtu' && startsWith(this.#received, request) ? request.length : 0;
      const bytes = this.#received.subarray(echo);
      const found =
        this.wrapping === 'rtu'
          ? findRtuReply(bytes, unit, functionCode)
          : findTcpReply(bytes, this.#transaction);
      if (found !== null) return this.#answer(found, echo, end_s);
      const left_s = until_s - monotonic_s();
      if (left_s <= 0) {
        return bytes.length === 0 ? { kind: 'silent' } : { kind: 'damaged', bytes: bytes.length };
      }
      await this.#nextBytes(left_s);
    }
  }

  #answer({ pdu }: FoundReply, echo: number, end_s: number): Answer {
    const turnaround_s = Math.max(0, this.#first_s - end_s);
    if ((pdu[0]! & exceptionBit) !== 0) {
      return { kind: 'exception', code: pdu[1]!, name: exceptionName(pdu[1]!), turnaround_s };
    }
    return { kind: 'reply', data: pdu.subarray(1), turnaround_s, hasEcho: echo > 0 };
  }

  async #quiet(): Promise<void> {
    let seen = this.#received.length;
    for (;;) {
      await delay(Math.max(this.#timeout_s / 2, 0.02) * 1000);
      if (this.#received.length === seen) return;
      seen = this.#received.length;
    }
  }

  async #nextBytes(atMost_s: number): Promise<void> {
    await new Promise<void>((resolve) => {
      const timer = setTimeout(resolve, Math.ceil(atMost_s * 1000));
      this.#wake = () => {
        clearTimeout(timer);
        resolve();
      };
    });
    this.#wake = () => undefined;
  }

  #take(chunk: Uint8Array, time_s: number): void {
    const joined = new Uint8Array(this.#received.length + chunk.length);
    joined.set(this.#received);
    joined.set(chunk, this.#received.length);
    // The last byte of the chunk arrived at `time_s`, its first so many characters before.
    this.#first_s =
      this.#received.length === 0 ? time_s - (chunk.length - 1) * this.#character_s : this.#first_s;
    this.#received = joined;
    this.#wake();
  }

  #lose(error: Error): void {
    this.#lost = error;
    this.#wake();
  }
}

function startsWith(bytes: Uint8Array, beginning: Uint8Array): boolean {
  return bytes.length >= beginning.length && beginning.every((byte, at) => bytes[at] === byte);
}
