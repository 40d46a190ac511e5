/**
 * Finds reply frames in a stream of bytes, however it is cut into chunks.
 *
 * Length first: at each position the header bytes must be those of an awaited reply; the length follows,
 * then the CRC decides. Otherwise one byte is given up and the search goes on behind it. Gaps between bytes are not
 * judged: adapters split frames at will.
 */
import { crc16 } from './crc.ts';
import { around, exceptionLength, longestFrame } from './protocol.ts';
import { type Request, replySize } from './requests.ts';

/** A frame whose CRC is right. `pdu` (function code and what follows) is a copy that the receiver may keep. */
export interface Frame {
  readonly unit: number;
  readonly pdu: Uint8Array;
  /** Arrival of the chunk that held the first byte. */
  readonly arrival_s: number;
  /** The same less the time that the chunk, from that byte on, took on the wire: the frame began no later. */
  readonly start_s: number;
}

export interface FramerEvents {
  /** Requests to this unit whose reply may come. */
  awaited(unit: number): readonly Request[];
  frame(frame: Frame): void;
  /** An awaited header was followed by a wrong CRC. */
  crcFailed(): void;
  /** Bytes that belong to no frame. */
  discarded(bytes: number): void;
}

/** Room for two longest frames; more than one undecided frame never stays in it. */
const capacity = 2 * longestFrame;

export class RtuFramer {
  readonly #events: FramerEvents;
  readonly #characterTime_s: number;
  readonly #bytes = new Uint8Array(capacity);
  readonly #arrival_s = new Float64Array(capacity);
  readonly #start_s = new Float64Array(capacity);
  #length = 0;

  constructor(events: FramerEvents, characterTime_s: number) {
    this.#events = events;
    this.#characterTime_s = characterTime_s;
  }

  /** Takes a chunk that arrived, whole, at `time_s`. The chunk is copied. */
  push(chunk: Uint8Array, time_s: number): void {
    let taken = 0;
    while (taken < chunk.length) {
      const part = Math.min(chunk.length - taken, capacity - this.#length);
      for (let i = 0; i < part; i++) {
        const behind = chunk.length - (taken + i);
        this.#bytes[this.#length] = chunk[taken + i]!;
        this.#arrival_s[this.#length] = time_s;
        this.#start_s[this.#length] = time_s - behind * this.#characterTime_s;
        this.#length += 1;
      }
      taken += part;
      this.#parse();
    }
  }

  /**
   * Looks for a whole frame behind a header that has not been completed (noise can look like a header). Call it when
   * the waiting is over. What is still incomplete stays: its rest may come late.
   */
  finish(): void {
    for (let from = 1; from + exceptionLength <= this.#length; from++) {
      const size = this.#sizeAt(from);
      if (size === 0 || from + size > this.#length || crc16(this.#bytes, from, from + size) !== 0) continue;
      this.#drop(from);
      this.#parse();
      from = 0;
    }
  }

  /** Forgets what is incomplete. */
  clear(): void {
    if (this.#length > 0) this.#drop(this.#length);
  }

  #parse(): void {
    let start = 0;
    let bad = 0;
    while (this.#length - start >= exceptionLength) {
      const size = this.#sizeAt(start);
      if (size > this.#length - start) break;
      if (size > 0 && crc16(this.#bytes, start, start + size) === 0) {
        this.#deliver(start, size);
        start += size;
        continue;
      }
      if (size > 0) this.#events.crcFailed();
      start += 1;
      bad += 1;
    }
    this.#remove(start);
    if (bad > 0) this.#events.discarded(bad);
  }

  /** Length of the awaited frame whose header stands at `at`, as far as its bytes decide it; 0 when none does. */
  #sizeAt(at: number): number {
    for (const request of this.#events.awaited(this.#bytes[at]!)) {
      const size = replySize(request, this.#bytes, at + 1, this.#length);
      if (size > 0) return size + around;
    }
    return 0;
  }

  #deliver(start: number, size: number): void {
    this.#events.frame({
      unit: this.#bytes[start]!,
      pdu: this.#bytes.slice(start + 1, start + size - 2),
      arrival_s: this.#arrival_s[start]!,
      start_s: this.#start_s[start]!,
    });
  }

  #drop(count: number): void {
    this.#remove(count);
    this.#events.discarded(count);
  }

  #remove(count: number): void {
    if (count === 0) return;
    this.#bytes.copyWithin(0, count, this.#length);
    this.#arrival_s.copyWithin(0, count, this.#length);
    this.#start_s.copyWithin(0, count, this.#length);
    this.#length -= count;
  }
}
