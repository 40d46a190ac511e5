/** Plays a converter: frames by the clock, each with its fate noted. */

import { PacedLine } from '../../daemon/virtual-rig/paced-line.ts';
import type { Port } from '../../daemon/virtual-rig/port.ts';
import { Random } from '../../daemon/virtual-rig/random.ts';
import { monotonic_s } from '../../drivers/driver.ts';
import { type StreamLine, streamBaud } from './lines.ts';
import { encodeStreamFrame } from './stream-frame.ts';
import { frameScans } from './values.ts';

/** What became of a frame on its way to the port. */
export const frameFate = {
  /** All of its bytes were handed over as they were. */
  whole: 1,
  /** A bit was turned over on the wire. */
  damaged: 2,
  /** The far end had not made room. */
  overrun: 3,
  /** The cable was out. */
  unplugged: 4,
  /** The rig itself was held up and left it out. */
  heldUp: 5,
} as const;

/** Frames that are later than this are left out, as a converter has no room for them, in s. */
const heldUp_s = 0.3;

interface Sending {
  readonly frame: number;
  left_bytes: number;
  fate: number;
}

export class StreamPlayer {
  readonly line: StreamLine;
  readonly port: Port;
  readonly wire: PacedLine;
  /** Instant of scan 0 and spacing of the scans, in s. */
  readonly start_s: number;
  readonly period_s: number;
  /** Fate of every frame. */
  fates = new Uint8Array(4096);
  /** Frames made so far. */
  frames = 0;
  #sending: Sending[] = [];
  #turned = 0;

  constructor(line: StreamLine, port: Port, seed: number) {
    this.line = line;
    this.port = port;
    this.wire = new PacedLine({ baud: streamBaud, characterBits: 10 }, new Random(seed, line.id));
    this.start_s = monotonic_s();
    // A crystal that is 20 ppm fast.
    this.period_s = 1 / (line.rate_Hz * 1.00002);
  }

  /** Makes every frame that is due and hands over what has left the wire. */
  play(now_s: number): void {
    for (;;) {
      const due_s = this.start_s + ((this.frames + 1) * frameScans - 1) * this.period_s;
      if (due_s > now_s) break;
      if (now_s - due_s > heldUp_s) this.#note(this.frames, frameFate.heldUp);
      else this.#send(this.frames, due_s);
      this.frames++;
    }
    this.wire.take(now_s, (bytes) => this.#release(bytes));
  }

  unplug(): void {
    for (const { frame } of this.#sending) this.#note(frame, frameFate.unplugged);
    this.#sending = [];
    this.wire.clear();
    this.port.unplug();
  }

  #send(frame: number, due_s: number): void {
    if (!this.port.isPlugged) {
      this.#note(frame, frameFate.unplugged);
      return;
    }
    const bytes = encodeStreamFrame(this.line, frame);
    const before_bytes = this.wire.bytesOverrun;
    this.wire.send(bytes, due_s);
    if (this.wire.bytesOverrun > before_bytes) this.#note(frame, frameFate.overrun);
    else this.#sending.push({ frame, left_bytes: bytes.length, fate: frameFate.whole });
  }

  #release(bytes: Uint8Array): void {
    const [first] = this.#sending;
    if (first === undefined) throw new Error('bytes of no frame');
    const { bitsTurned } = this.wire;
    if (bitsTurned !== this.#turned) first.fate = frameFate.damaged;
    this.#turned = bitsTurned;
    if (this.port.write(bytes) < bytes.length) first.fate = frameFate.overrun;
    first.left_bytes -= bytes.length;
    if (first.left_bytes > 0) return;
    this.#note(first.frame, first.fate);
    this.#sending.shift();
  }

  #note(frame: number, fate: number): void {
    if (frame >= this.fates.length) {
      const more = new Uint8Array(this.fates.length * 2);
      more.set(this.fates);
      this.fates = more;
    }
    this.fates[frame] = fate;
  }
}
