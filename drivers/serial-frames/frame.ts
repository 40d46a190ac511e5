/**
 * Open framing of a streaming converter: a specification that a firmware author can follow, its encoder and its decoder.
 *
 * ```
 * A5 5A | flags u8 | channels u8 | scans u8 | status u8 | sequence u32 | period_ns u32 | scans x (digital u16, channels x sample) | crc u32
 * ```
 *
 * Little-endian throughout. The wire is 8 data bits, no parity; any speed that carries the stream with a fifth to spare.
 *
 * - `flags`: bit 0 = samples are int24 instead of int16 (two's complement both); bit 1 = some sample of this frame was at
 *   an end of the converter's range; bits 2..7 are 0 (a receiver refuses other values, so that noise rarely looks like a header).
 * - `channels`: 1..32 samples in every scan. `scans`: 1..64 scans in this frame. Send a frame every 5 to 20 ms.
 * - `status`: 0 = the converter vouches for this frame; anything else is the maker's code for why it does not.
 * - `sequence`: index of the frame's first scan since power-up, modulo 2^32. It counts scans that could not be sent, too:
 *   a receiver finds losses from it, so it is never reset while sampling goes on.
 * - `period_ns`: spacing of the scans by the converter's own clock, > 0.
 * - `digital`: inputs at the instant of the scan. By convention bit 0 = run contact, bit 1 = pressure switch.
 * - `crc`: CRC-32 of IEEE 802.3 (reflected 04C11DB7, all ones before and after; the check value of "123456789" is CBF43926)
 *   over everything between the sync bytes and itself.
 *
 * A frame is sent when its last scan has been taken, without pauses inside, and with a constant delay: a receiver learns
 * the converter's clock from the earliest arrivals.
 *
 * Example: 2 channels int16, 2 scans from scan 1000 on, 200 us apart, both inputs closed, samples (100, -2) and (101, -3):
 *
 * ```
 * A5 5A 00 02 02 00 E8 03 00 00 40 0D 03 00 03 00 64 00 FE FF 03 00 65 00 FD FF 1E AE 57 65
 * ```
 */
import { crc32 } from 'node:zlib';
import type { Counters } from '../driver.ts';

/** Bits of the digital word by convention. */
export const digitalBit = { runContact: 0, pressureSwitch: 1 } as const;

/** Limits of the header fields; a header outside is noise. */
export const frameLimits = { channels: 32, scans: 64 } as const;

const sync0 = 0xa5;
const sync1 = 0x5a;
const headerBytes = 14;
const crcBytes = 4;
const wideFlag = 1;
const overRangeFlag = 2;

/** Length of the longest legal frame, in bytes. */
export const longestFrame_bytes = frameBytes(frameLimits.channels, frameLimits.scans, true);

/** Length of a whole frame with sync and CRC, in bytes. */
export function frameBytes(channels: number, scans: number, isWide: boolean): number {
  return headerBytes + scans * (2 + channels * (isWide ? 3 : 2)) + crcBytes;
}

/** What one frame carries. */
export interface Frame {
  /** Index of the first scan since power-up, modulo 2^32. */
  readonly sequence: number;
  readonly period_ns: number;
  readonly channels: number;
  readonly scans: number;
  /** int24 samples on the wire instead of int16. */
  readonly isWide: boolean;
  readonly isOverRange: boolean;
  readonly status: number;
  /** One word a scan; may be longer than `scans`. */
  readonly digital: Uint16Array;
  /** `scans * channels` samples, scan by scan; may be longer. */
  readonly samples: Int32Array;
}

/**
 * The bytes of one frame. Throws RangeError where a field does not fit the format; samples beyond the number type are
 * not clamped: the caller clamps and sets `isOverRange`, as a converter does.
 */
export function encodeFrame(frame: Frame): Uint8Array {
  const { channels, scans, isWide, digital, samples } = frame;
  requireInteger('channels', channels, 1, frameLimits.channels);
  requireInteger('scans', scans, 1, frameLimits.scans);
  requireInteger('status', frame.status, 0, 0xff);
  requireInteger('sequence', frame.sequence, 0, 0xffffffff);
  requireInteger('period_ns', frame.period_ns, 1, 0xffffffff);
  if (digital.length < scans || samples.length < scans * channels) {
    throw new RangeError(
      `frame: ${scans} scans of ${channels} channels need as many digital words and samples`,
    );
  }
  const bytes = new Uint8Array(frameBytes(channels, scans, isWide));
  const view = new DataView(bytes.buffer);
  bytes[0] = sync0;
  bytes[1] = sync1;
  bytes[2] = (isWide ? wideFlag : 0) | (frame.isOverRange ? overRangeFlag : 0);
  bytes[3] = channels;
  bytes[4] = scans;
  bytes[5] = frame.status;
  view.setUint32(6, frame.sequence, true);
  view.setUint32(10, frame.period_ns, true);
  const limit = isWide ? 0x7fffff : 0x7fff;
  let at = headerBytes;
  for (let scan = 0; scan < scans; scan++) {
    view.setUint16(at, digital[scan], true);
    at += 2;
    for (let channel = 0; channel < channels; channel++) {
      const sample = samples[scan * channels + channel];
      if (sample > limit || sample < -limit - 1) {
        throw new RangeError(`frame: sample ${sample} does not fit ${isWide ? 'int24' : 'int16'}`);
      }
      view.setInt16(at, sample, true);
      at += 2;
      if (isWide) bytes[at++] = sample >> 16;
    }
  }
  view.setUint32(at, crc32(bytes.subarray(2, at)), true);
  return bytes;
}

/**
 * Finds frames in a stream of bytes. Chunk borders do not matter. After damage it looks for the next sync pair behind the
 * one that failed, so frames inside a wrongly taken range are found. A damaged length can hold later frames
 * back until the longest frame has arrived, never lose them.
 *
 * Counters it fills: `framesReceived`; `crcErrorsSeen` (legal headers whose CRC did not match); `bytesSkipped` (of no accepted frame).
 */
export class FrameDecoder {
  readonly #counters: Counters;
  #bytes = new Uint8Array(8 * longestFrame_bytes);
  #view = new DataView(this.#bytes.buffer);
  #start = 0;
  #end = 0;
  readonly #digital = new Uint16Array(frameLimits.scans);
  readonly #samples = new Int32Array(frameLimits.scans * frameLimits.channels);

  constructor(counters: Counters) {
    this.#counters = counters;
    for (const name of ['framesReceived', 'crcErrorsSeen', 'bytesSkipped']) counters[name] ??= 0;
  }

  /**
   * Takes the next bytes, which stay the caller's, and calls `accept` for every whole frame, in order. The frame and its arrays are
   * valid during the call only.
   */
  push(chunk: Uint8Array, accept: (frame: Frame) => void): void {
    let taken = 0;
    while (taken < chunk.length) {
      if (this.#end === this.#bytes.length) {
        this.#bytes.copyWithin(0, this.#start, this.#end);
        this.#end -= this.#start;
        this.#start = 0;
      }
      const count = Math.min(chunk.length - taken, this.#bytes.length - this.#end);
      this.#bytes.set(chunk.subarray(taken, taken + count), this.#end);
      this.#end += count;
      taken += count;
      this.#scan(accept);
    }
  }

  /** Forgets the unfinished frame, as after a reconnect; its bytes count as skipped. */
  reset(): void {
    this.#counters['bytesSkipped'] += this.#end - this.#start;
    this.#start = 0;
    this.#end = 0;
  }

  #scan(accept: (frame: Frame) => void): void {
    const bytes = this.#bytes;
    let at = this.#start;
    while (this.#end - at >= 2) {
      if (bytes[at] !== sync0 || bytes[at + 1] !== sync1) {
        const next = bytes.indexOf(sync0, at + 1);
        const to = next < 0 || next > this.#end ? this.#end : next;
        this.#counters['bytesSkipped'] += to - at;
        at = to;
        continue;
      }
      if (this.#end - at < headerBytes && this.#mayBeHeader(at, this.#end - at)) break;
      if (!this.#mayBeHeader(at, headerBytes)) {
        this.#counters['bytesSkipped'] += 2;
        at += 2;
        continue;
      }
      const length = frameBytes(bytes[at + 3], bytes[at + 4], (bytes[at + 2] & wideFlag) !== 0);
      if (this.#end - at < length) break;
      const crcAt = at + length - crcBytes;
      if (crc32(bytes.subarray(at + 2, crcAt)) !== this.#view.getUint32(crcAt, true)) {
        this.#counters['crcErrorsSeen']++;
        this.#counters['bytesSkipped'] += 2;
        at += 2;
        continue;
      }
      this.#counters['framesReceived']++;
      const frame = this.#unpack(at);
      at += length;
      // Before the call: `accept` may throw, and the frame must not come twice.
      this.#start = at;
      accept(frame);
    }
    this.#start = at;
  }

  /** Whether the first `known` bytes at `at` can be a header; refuses as early as possible. */
  #mayBeHeader(at: number, known: number): boolean {
    const bytes = this.#bytes;
    if (known > 2 && bytes[at + 2] > (wideFlag | overRangeFlag)) return false;
    if (known > 3 && (bytes[at + 3] === 0 || bytes[at + 3] > frameLimits.channels)) return false;
    if (known > 4 && (bytes[at + 4] === 0 || bytes[at + 4] > frameLimits.scans)) return false;
    return known < headerBytes || this.#view.getUint32(at + 10, true) !== 0;
  }

  #unpack(at: number): Frame {
    const bytes = this.#bytes;
    const isWide = (bytes[at + 2] & wideFlag) !== 0;
    const channels = bytes[at + 3];
    const scans = bytes[at + 4];
    const digital = this.#digital;
    const samples = this.#samples;
    let from = at + headerBytes;
    let to = 0;
    for (let scan = 0; scan < scans; scan++) {
      digital[scan] = bytes[from] | (bytes[from + 1] << 8);
      from += 2;
      for (let channel = 0; channel < channels; channel++) {
        if (isWide) {
          samples[to++] = ((bytes[from] << 8) | (bytes[from + 1] << 16) | (bytes[from + 2] << 24)) >> 8;
          from += 3;
        } else {
          samples[to++] = ((bytes[from] << 16) | (bytes[from + 1] << 24)) >> 16;
          from += 2;
        }
      }
    }
    return {
      sequence: this.#view.getUint32(at + 6, true),
      period_ns: this.#view.getUint32(at + 10, true),
      channels,
      scans,
      isWide,
      isOverRange: (bytes[at + 2] & overRangeFlag) !== 0,
      status: bytes[at + 5],
      digital,
      samples,
    };
  }
}

function requireInteger(name: string, value: number, low: number, high: number): void {
  if (!Number.isInteger(value) || value < low || value > high) {
    throw new RangeError(`frame: ${name} is ${value}, allowed are whole numbers ${low} to ${high}`);
  }
}
