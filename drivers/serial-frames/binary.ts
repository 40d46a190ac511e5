/** Frames to scans: picks the configured columns, runs the 32-bit sequence on, and distinguishes a gap from a restart. */
import { type Counters, quality } from '../driver.ts';
import type { SerialFramesLineSpec } from '../line-spec.ts';
import { type Frame, FrameDecoder, frameBytes } from './frame.ts';
import type { Receiver } from './receiver.ts';
import type { ScanStream } from './scan-stream.ts';

/**
 * A frame whose scans would have been taken so much later (`early`: it came before it could be) or so much sooner than it arrived
 * belongs to another power-up. In s; lateness counts after a reconnect only, as a slow reader may find old frames.
 */
const implausible_s = { early: 0.2, late: 2 } as const;

/** Counters it fills: those of the decoder and the stream, `framesRefused` (too few channels), `statusFaultsSeen`, `overRangesSeen`. */
export class BinaryReceiver implements Receiver {
  problem = '';
  readonly #spec: SerialFramesLineSpec;
  readonly #counters: Counters;
  readonly #stream: ScanStream;
  readonly #decoder: FrameDecoder;
  readonly #characterTime_s: number;
  /** Per column: position among the samples, or -1 - bit of the digital word. */
  readonly #sources: Int32Array;
  readonly #needed: number;
  #isReopened = false;
  #arrival_s = 0;
  #transmission_s = 0;
  readonly #accept = (frame: Frame): void => this.#take(frame);

  /** `characterTime_s`: time of one byte on the wire, 0 where it is unknown. */
  constructor(spec: SerialFramesLineSpec, characterTime_s: number, counters: Counters, stream: ScanStream) {
    this.#spec = spec;
    this.#counters = counters;
    this.#stream = stream;
    this.#decoder = new FrameDecoder(counters);
    this.#characterTime_s = characterTime_s;
    this.#sources = Int32Array.from(spec.channels, ({ source, index }) =>
      source === 'analog' ? index : -1 - index,
    );
    this.#needed = Math.max(0, ...this.#sources) + (this.#sources.some((source) => source >= 0) ? 1 : 0);
    for (const name of ['framesRefused', 'statusFaultsSeen', 'overRangesSeen']) counters[name] ??= 0;
  }

  get unitsAccepted(): number {
    return this.#counters['framesReceived'] - this.#counters['framesRefused'];
  }

  push(chunk: Uint8Array, arrival_s: number): void {
    this.#arrival_s = arrival_s;
    this.#decoder.push(chunk, this.#accept);
    this.#stream.endRead(arrival_s - this.#transmission_s - this.#spec.delay_s);
  }

  reopened(): void {
    this.#decoder.reset();
    this.#isReopened = true;
  }

  #take(frame: Frame): void {
    const { channels, scans, digital, samples } = frame;
    if (channels < this.#needed) {
      this.#counters['framesRefused']++;
      this.problem = `The converter sends ${channels} channels, the configuration needs ${this.#needed}: correct the channel numbers.`;
      return;
    }
    this.problem = '';
    const span_s = scans * frame.period_ns * 1e-9;
    // A wire too slow for the stream is no wire: USB and pseudo-terminals ignore the speed that is set.
    const wire_s = frameBytes(channels, scans, frame.isWide) * this.#characterTime_s;
    this.#transmission_s = wire_s < span_s ? wire_s : 0;
    if (frame.status !== 0) this.#counters['statusFaultsSeen']++;
    if (frame.isOverRange) this.#counters['overRangesSeen']++;
    const bits = (frame.status === 0 ? 0 : quality.suspect) | (frame.isOverRange ? quality.clipped : 0);
    const stream = this.#stream;
    let to = stream.append(this.#index(frame), scans, frame.period_ns * 1e-9, bits);
    const out = stream.scratch;
    const sources = this.#sources;
    const columns = sources.length;
    for (let scan = 0; scan < scans; scan++) {
      const word = digital[scan];
      const from = scan * channels;
      for (let column = 0; column < columns; column++) {
        const source = sources[column];
        out[to++] = source >= 0 ? samples[from + source] : (word >> (-1 - source)) & 1;
      }
    }
  }

  /** Running index of the frame's first scan; restarts the stream when the frame cannot follow the last one. */
  #index(frame: Frame): number {
    const stream = this.#stream;
    const isReopened = this.#isReopened;
    this.#isReopened = false;
    const { left } = stream;
    if (left === null) return frame.sequence;
    // Sequences are 32 bits wide: the signed distance says how far ahead, whatever the wraps between.
    const ahead = (frame.sequence - left) | 0;
    const index = left + ahead;
    const isSamePeriod = frame.period_ns * 1e-9 === stream.period_s;
    if (stream.expected !== null) {
      const late_s = this.#arrival_s - (stream.predict_s(index + frame.scans - 1) ?? this.#arrival_s);
      const isLikely = late_s > -implausible_s.early && (!isReopened || late_s < implausible_s.late);
      if (ahead >= 0 && isLikely && isSamePeriod) return index;
      stream.restart(this.#arrival_s);
    }
    return isSamePeriod && stream.resume(index, this.#arrival_s) ? index : frame.sequence;
  }
}
