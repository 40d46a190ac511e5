/** The last seconds of all channels, as the charts want them. */

/** Bytes before the first channel of a frame (daemon/web/wire.ts). */
const header_bytes = 32;
const perChannel = 4;

/** A decoded summary frame. `values`: min, max, last, mean of each channel. */
export interface Frame {
  readonly sequence: number;
  readonly time_s: number;
  readonly period_s: number;
  readonly droppedBefore: number;
  readonly values: Float32Array;
}

/** Null for something that is no frame. */
export function decodeFrame(data: ArrayBuffer): Frame | null {
  const body = data.byteLength - header_bytes;
  if (body < 0 || body % (perChannel * Float32Array.BYTES_PER_ELEMENT) !== 0) return null;
  const view = new DataView(data);
  return {
    sequence: view.getFloat64(0, true),
    time_s: view.getFloat64(8, true),
    period_s: view.getFloat64(16, true),
    droppedBefore: view.getFloat64(24, true),
    values: new Float32Array(data, header_bytes),
  };
}

/** Fixed room for the last `capacity` frames; a frame with another number of channels, or an older one, empties it. */
export class FrameRing {
  readonly capacity: number;
  #time_s: Float64Array;
  #values: Float32Array;
  #width = 0;
  #start = 0;
  #length = 0;

  constructor(capacity: number) {
    this.capacity = capacity;
    this.#time_s = new Float64Array(capacity);
    this.#values = new Float32Array(0);
  }

  get length(): number {
    return this.#length;
  }

  /** Time of the newest frame, in s on the recorder's clock; NaN when empty. */
  get newest_s(): number {
    return this.#length === 0 ? Number.NaN : this.#time_s[this.#slot(this.#length - 1)]!;
  }

  push(frame: Frame): void {
    if (frame.values.length !== this.#width) {
      this.#width = frame.values.length;
      this.#values = new Float32Array(this.capacity * this.#width);
      this.clear();
    }
    if (frame.time_s < this.newest_s) this.clear();
    if (this.#length === this.capacity) this.#start = (this.#start + 1) % this.capacity;
    else this.#length++;
    const slot = this.#slot(this.#length - 1);
    this.#time_s[slot] = frame.time_s;
    this.#values.set(frame.values, slot * this.#width);
  }

  clear(): void {
    this.#start = 0;
    this.#length = 0;
  }

  /** Time of the frame `index` from the oldest, in s. */
  time_s(index: number): number {
    return this.#time_s[this.#slot(index)]!;
  }

  /** min (0), max (1), last (2) or mean (3) of a channel in that frame; NaN where it held no sample. */
  value(index: number, channel: number, which: 0 | 1 | 2 | 3): number {
    return this.#values[this.#slot(index) * this.#width + perChannel * channel + which] ?? Number.NaN;
  }

  /** Mean of a channel over the newest frames that cover `span_s`; NaN when there is none. */
  recent(channel: number, span_s: number): number {
    let sum = 0;
    let count = 0;
    const from_s = this.newest_s - span_s;
    for (let index = this.#length - 1; index >= 0 && this.time_s(index) >= from_s; index--) {
      const mean = this.value(index, channel, 3);
      if (Number.isNaN(mean)) continue;
      sum += mean;
      count++;
    }
    return count === 0 ? Number.NaN : sum / count;
  }

  #slot(index: number): number {
    return (this.#start + index) % this.capacity;
  }
}
