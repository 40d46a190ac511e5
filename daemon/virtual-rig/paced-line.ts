/**
 * The wire between a device and its port: bytes leave and arrive at the configured rate, and may be damaged on the way.
 * A pseudo-terminal ignores the baud rate; this gives it back. No clock inside: every call is told the time, and every
 * instant is computed from the start of its message, never by adding up waits.
 */
import type { Random } from './random.ts';

export interface LineRate {
  readonly baud: number;
  /** Start, data, parity and stop bits: 10 or 11. */
  readonly characterBits: number;
}

/** What the wire does to bytes, in both directions. */
export interface LineFaults {
  /** Probability that a data bit is turned over. */
  bitErrors_ratio: number;
  /** Probability that a byte vanishes. */
  lostBytes_ratio: number;
}

interface Message {
  readonly bytes: Uint8Array;
  readonly start_s: number;
  released: number;
}

/** Bytes that may wait to be sent; a device's own buffer is of this order. */
const backlog_bytes = 65_536;

export class PacedLine {
  readonly characterTime_s: number;
  readonly faults: LineFaults = { bitErrors_ratio: 0, lostBytes_ratio: 0 };
  /** Counters. */
  bitsTurned = 0;
  bytesLost = 0;
  /** Bytes not sent because too many waited already: the line is slower than what is to be sent. */
  bytesOverrun = 0;
  readonly #random: Random;
  #queue: Message[] = [];
  #waiting_bytes = 0;
  #sent_s = 0;
  #received_s = 0;

  constructor(rate: LineRate, random: Random) {
    this.characterTime_s = rate.characterBits / rate.baud;
    this.#random = random;
  }

  /** Instant at which the last byte handed over so far will have left, in s. */
  get sent_s(): number {
    return this.#sent_s;
  }

  /** Instant at which the last byte written by the far end has arrived, in s. */
  get received_s(): number {
    return this.#received_s;
  }

  /**
   * Queues bytes, which become the line's, to leave from `earliest_s` on and after all before them.
   * Returns the instant at which their last bit has left.
   */
  send(bytes: Uint8Array, earliest_s: number): number {
    if (this.#waiting_bytes + bytes.length > backlog_bytes) {
      this.bytesOverrun += bytes.length;
      return this.#sent_s;
    }
    const start_s = Math.max(earliest_s, this.#sent_s);
    this.#sent_s = start_s + bytes.length * this.characterTime_s;
    this.#queue.push({ bytes, start_s, released: 0 });
    this.#waiting_bytes += bytes.length;
    return this.#sent_s;
  }

  /** Hands `release` every byte whose last bit has left by `now_s`, in order and one message a call. */
  take(now_s: number, release: (bytes: Uint8Array) => void): void {
    let finished = 0;
    for (const message of this.#queue) {
      // Half a nanosecond against rounding: at the very end of a message all of it is due.
      const due = Math.floor((now_s - message.start_s + 5e-10) / this.characterTime_s);
      const to = Math.min(message.bytes.length, Math.max(message.released, due));
      if (to > message.released) {
        const part = message.bytes.subarray(message.released, to);
        this.#waiting_bytes -= part.length;
        message.released = to;
        release(this.#damage(part));
      }
      if (message.released < message.bytes.length) break;
      finished++;
    }
    if (finished > 0) this.#queue = this.#queue.slice(finished);
  }

  /** Instant at which the message now being sent is complete; null when there is none. */
  get nextEnd_s(): number | null {
    const [first] = this.#queue;
    return first === undefined ? null : first.start_s + first.bytes.length * this.characterTime_s;
  }

  /** Instant at which the next byte is complete; null when there is none. */
  get nextByte_s(): number | null {
    const [first] = this.#queue;
    return first === undefined ? null : first.start_s + (first.released + 1) * this.characterTime_s;
  }

  /** Whether nothing of the message now being sent has been released. */
  get isAtStart(): boolean {
    return this.#queue[0]?.released === 0;
  }

  /**
   * Bytes from the far end, whose port hands them over at once; on the wire they need their time.
   * Returns what arrives of them. `received_s` then is when the last has.
   */
  receive(bytes: Uint8Array, now_s: number): Uint8Array {
    this.#received_s = Math.max(now_s, this.#received_s) + bytes.length * this.characterTime_s;
    return this.#damage(bytes);
  }

  /** Forgets what waits, as when the cable is pulled. */
  clear(): void {
    this.#queue = [];
    this.#waiting_bytes = 0;
  }

  #damage(bytes: Uint8Array): Uint8Array {
    const { bitErrors_ratio, lostBytes_ratio } = this.faults;
    if (bitErrors_ratio === 0 && lostBytes_ratio === 0) return bytes;
    const result = Uint8Array.from(bytes);
    const bits = result.length * 8;
    for (
      let at = this.#random.trialsUntil(bitErrors_ratio);
      at < bits;
      at += 1 + this.#random.trialsUntil(bitErrors_ratio)
    ) {
      result[at >> 3]! ^= 1 << (at & 7);
      this.bitsTurned++;
    }
    if (lostBytes_ratio === 0) return result;
    let kept = 0;
    for (const byte of result) {
      if (this.#random.uniform() < lostBytes_ratio) this.bytesLost++;
      else result[kept++] = byte;
    }
    return result.subarray(0, kept);
  }
}
