/** Compares what was recorded of a stream with what its converter sampled: every scan is there as it was, or its loss has a reason. */
import type { RawBlock } from '../../drivers/driver.ts';
import type { StreamLine } from './lines.ts';
import type { StreamNotes } from './notes.ts';
import { frameFate } from './stream-player.ts';
import { frameScans, scanOf, streamColumns, streamValues } from './values.ts';

/** What both ends agreed on; the sums are in scans. */
export interface StreamResult {
  readonly line: string;
  readonly sampled: number;
  readonly recorded: number;
  /** By the rig's notes. */
  readonly lost: Readonly<Record<string, number>>;
  /** Neither recorded nor lost for a known reason: must be 0. */
  readonly unexplained: number;
  /** What the recorder itself counted: before its first scan, lost on the line, without a time that fits, after its last scan. */
  readonly counted: Readonly<Record<'before' | 'line' | 'discarded' | 'after', number>>;
  /** `sampled - recorded - counted`: must be 0. */
  readonly uncounted: number;
  /** Scans with a number on them that is not theirs: the recorder lost count. Must be 0. */
  readonly misnumbered: number;
  readonly wrongValues: number;
  /** Scans whose true instant lies outside the stated half-width, and the largest excess in s. */
  readonly outsideHalfWidth: number;
  readonly worstExcess_s: number;
  /** What was wrong, the first few. */
  readonly examples: readonly string[];
}

/** From when to when the recorder listened; monotonic, in s. */
export interface Listening {
  readonly from_s: number;
  readonly to_s: number;
}

const stride = streamColumns.length;
const mostExamples = 5;

/** A frame takes so long at most from its last scan to the reader, in s. */
const onItsWay_s = 0.05;

/** Feed it every block of the line, oldest first, then ask for the result. */
export class StreamAudit {
  readonly line: StreamLine;
  readonly #notes: StreamNotes;
  readonly #fates: Uint8Array;
  /** Recorded scans of each frame. */
  readonly #found: Uint8Array;
  readonly #examples: string[] = [];
  readonly #right = new Int32Array(stride);
  /** Number on the line's scans less the recorder's; null before the first. */
  #shift: number | null = null;
  #before = 0;
  #next = 0;
  #recorded = 0;
  #misnumbered = 0;
  #wrong = 0;
  #outside = 0;
  #worstExcess_s = 0;

  constructor(line: StreamLine, notes: StreamNotes) {
    this.line = line;
    this.#notes = notes;
    this.#fates = Buffer.from(notes.fates, 'base64');
    this.#found = new Uint8Array(notes.frames);
  }

  add(block: RawBlock): void {
    const { scan, scans, raw, time_s, interval_s, halfWidth_s } = block;
    for (let i = 0; i < scans; i++) {
      const at = i * stride;
      const found = scanOf(raw[at]!, raw[at + 1]!);
      this.#number(found, scan + i);
      streamValues(found, this.line, this.#right, 0);
      let isRight = found < this.#notes.frames * frameScans;
      for (let column = 0; column < stride; column++) isRight &&= raw[at + column] === this.#right[column];
      if (!isRight) {
        this.#wrong++;
        this.#say(
          `scan ${scan + i}: ${raw.slice(at, at + stride).join(' ')} is not ${this.#right.join(' ')}`,
        );
        continue;
      }
      this.#found[Math.floor(found / frameScans)]!++;
      const true_s = this.#notes.start_s + found * this.#notes.period_s;
      const excess_s = Math.abs(time_s + i * interval_s - true_s) - halfWidth_s;
      if (excess_s <= 0) continue;
      this.#outside++;
      this.#worstExcess_s = Math.max(this.#worstExcess_s, excess_s);
    }
    this.#recorded += scans;
  }

  /** `lineLost` and `discarded` (received, but without a time that fits) are the recorder's own counts. */
  result(listening: Listening, lineLost: number, discarded = 0): StreamResult {
    const { frames } = this.#notes;
    const sampled = frames * frameScans;
    const lost: Record<string, number> = {};
    let unexplained = 0;
    for (let frame = 0; frame < frames; ) {
      if (this.#found[frame] === frameScans) {
        frame++;
        continue;
      }
      let end = frame;
      while (end < frames && this.#found[end] !== frameScans) end++;
      const isPulled = this.#fates.subarray(frame, end).includes(frameFate.unplugged);
      for (let at = frame; at < end; at++) {
        const missing = frameScans - this.#found[at]!;
        const reason = this.#reason(at, isPulled, listening);
        if (reason === null) {
          unexplained += missing;
          this.#say(
            `frame ${at}: ${missing} scans missing, fates round it ${this.#fates.subarray(Math.max(0, at - 3), at + 4).join(' ')}`,
          );
        } else lost[reason] = (lost[reason] ?? 0) + missing;
      }
      frame = end;
    }
    if (discarded > 0) {
      const known = Math.min(unexplained, discarded);
      lost['discarded for want of a time'] = known;
      unexplained -= known;
    }
    const last = this.#shift === null ? 0 : this.#next + this.#shift;
    const counted = { before: this.#before, line: lineLost, discarded, after: sampled - last };
    const { before, line, after } = counted;
    return {
      line: this.line.id,
      sampled,
      recorded: this.#recorded,
      lost,
      unexplained,
      counted,
      uncounted: sampled - this.#recorded - before - line - discarded - after,
      misnumbered: this.#misnumbered,
      wrongValues: this.#wrong,
      outsideHalfWidth: this.#outside,
      worstExcess_s: this.#worstExcess_s,
      examples: this.#examples,
    };
  }

  /** 1 for every frame that the recorder had. */
  delivered(): Uint8Array {
    return this.#found.map((scans) => (scans === frameScans ? 1 : 0));
  }

  #number(found: number, scan: number): void {
    if (this.#shift === null) {
      this.#shift = found - scan;
      this.#before = found;
    }
    if (found - scan !== this.#shift) {
      this.#misnumbered++;
      this.#say(`scan ${scan} is number ${found} of the converter, expected ${scan + this.#shift}`);
      this.#shift = found - scan;
    }
    this.#next = scan + 1;
  }

  #reason(frame: number, isPulled: boolean, listening: Listening): string | null {
    const taken_s = this.#notes.start_s + ((frame + 1) * frameScans - 1) * this.#notes.period_s;
    if (taken_s < listening.from_s) return 'before the recorder listened';
    if (taken_s > listening.to_s) return 'after the recorder was told to stop';
    if (taken_s > listening.to_s - onItsWay_s) return 'on its way when the recorder was told to stop';
    const fate = this.#fates[frame];
    if (fate === frameFate.damaged) return 'damaged on the wire';
    if (fate === frameFate.overrun) return 'the port was full';
    if (fate === frameFate.unplugged) return 'unplugged';
    if (fate === frameFate.heldUp) return 'the rig was held up';
    return isPulled ? 'in the port when it was pulled, or before it was open again' : null;
  }

  #say(what: string): void {
    if (this.#examples.length < mostExamples) this.#examples.push(what);
  }
}
