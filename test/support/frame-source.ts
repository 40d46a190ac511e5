/**
 * A streaming converter whose samples tell which scan they are: channel 0 the low 15 bits of the scan's index, channel 1 the
 * next 15, digital bit 0 the lowest bit. Scan n is taken at `start_s` + n periods of its own clock.
 */
import { monotonic_s } from '../../drivers/driver.ts';
import { encodeFrame } from '../../drivers/serial-frames/frame.ts';

export interface FrameSourceSpec {
  readonly rate_Hz: number;
  readonly scansPerFrame: number;
  readonly channels: number;
  /** How much longer its second is than the true one, as a ratio. */
  readonly drift: number;
  /** Time between the last scan of a frame and its sending, in s. */
  readonly wire_s: number;
}

/** The index that the first three columns of a scan tell (channels 0 and 1, digital bit 0), modulo 2^30. Throws on a wrong bit. */
export function scanIndex(raw: Int32Array | Float64Array, at: number): number {
  const index = raw[at] + raw[at + 1] * 2 ** 15;
  if ((index & 1) !== raw[at + 2])
    throw new Error(`scan ${index} carries the wrong digital bit ${raw[at + 2]}`);
  return index;
}

/** Frames written in one turn of the event loop. */
const framesAtATime = 8;

export class FrameSource {
  readonly spec: FrameSourceSpec;
  /** Instant of scan 0 in s. */
  start_s: number;
  framesSent = 0;
  /** Index of the next scan to be sent. */
  next: number;
  /** Frames are made but not sent: a cable with a break. */
  isMuted = false;
  readonly #write: (bytes: Uint8Array) => unknown;
  /** What the far end did not take of the last frame is sent later, by what `write` returns: a reader that was held up loses nothing. */
  isPatient = false;
  #rest: Uint8Array = new Uint8Array(0);
  readonly #digital: Uint16Array;
  readonly #samples: Int32Array;
  #isRunning = false;

  constructor(spec: FrameSourceSpec, first: number, write: (bytes: Uint8Array) => unknown) {
    this.spec = spec;
    this.next = first;
    this.start_s = monotonic_s() - first * this.period_s;
    this.#write = write;
    this.#digital = new Uint16Array(spec.scansPerFrame);
    this.#samples = new Int32Array(spec.scansPerFrame * spec.channels);
  }

  get period_s(): number {
    return (1 + this.spec.drift) / this.spec.rate_Hz;
  }

  /** True instant of a scan in s. */
  time_s(index: number): number {
    return this.start_s + index * this.period_s;
  }

  run(): void {
    if (this.#isRunning) return;
    this.#isRunning = true;
    this.#wait();
  }

  stop(): void {
    this.#isRunning = false;
  }

  /** Power fails and comes back: counting begins at 0 now. */
  restart(): void {
    this.next = 0;
    this.#rest = new Uint8Array(0);
    this.start_s = monotonic_s();
  }

  get #due_s(): number {
    return this.time_s(this.next + this.spec.scansPerFrame - 1) + this.spec.wire_s;
  }

  /** Timers keep to whole milliseconds of the very clock that is to be learnt from the sending: the last stretch is spun. */
  #wait(): void {
    if (!this.#isRunning) return;
    const wait_ms = (this.#due_s - monotonic_s()) * 1e3;
    const go = (): void => {
      this.#sendDue();
      this.#wait();
    };
    if (wait_ms > 1.5) setTimeout(go, wait_ms - 1.5);
    else setImmediate(go);
  }

  #sendDue(): void {
    if (!this.#isRunning) return;
    const { scansPerFrame } = this.spec;
    const now_s = monotonic_s();
    // After a hold-up of this process a little at a time: the reader is often in the same process.
    for (let left = framesAtATime; this.#due_s <= now_s && left > 0 && this.#finish(); left--) {
      const bytes = this.#frame();
      this.next += scansPerFrame;
      if (this.isMuted) continue;
      this.#send(bytes);
      this.framesSent++;
    }
  }

  /** Sends the rest of the last frame; false when the far end takes none of it now. */
  #finish(): boolean {
    if (this.#rest.length > 0) this.#send(this.#rest);
    return this.#rest.length === 0;
  }

  #send(bytes: Uint8Array): void {
    const taken = this.#write(bytes);
    this.#rest = this.isPatient && typeof taken === 'number' ? bytes.subarray(taken) : new Uint8Array(0);
  }

  #frame(): Uint8Array {
    const { channels, scansPerFrame, rate_Hz } = this.spec;
    for (let i = 0; i < scansPerFrame; i++) {
      const index = this.next + i;
      this.#digital[i] = index & 1;
      for (let channel = 0; channel < channels; channel++) {
        const part = channel === 0 ? index : channel === 1 ? Math.floor(index / 2 ** 15) : index * channel;
        this.#samples[i * channels + channel] = part & 0x7fff;
      }
    }
    return encodeFrame({
      sequence: this.next % 2 ** 32,
      period_ns: Math.round(1e9 / rate_Hz),
      channels,
      scans: scansPerFrame,
      isWide: false,
      isOverRange: false,
      status: 0,
      digital: this.#digital,
      samples: this.#samples,
    });
  }
}
