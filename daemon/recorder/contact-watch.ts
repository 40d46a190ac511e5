/** The edge of a run contact or pressure switch. */
import type { ContactSource } from '../../config/rig.ts';

/** The drive must have run so long before its stop is a trip: a start that bounces is none. */
const usual_s = 0.5;
/** A drive that runs at the very first sample did not start then: its stop is believed so soon, in s. */
const first_s = 0.05;
/** A stop shorter than this is contact chatter or a disturbed bit. A slower channel is believed at its first sample. */
const chatter_s = 0.001;
/** A drive that runs again so soon after a stop had not stopped: contactors bounce when they close, and star-delta starters pause. In s. */
export const bounce_s = 0.2;
/** After a silence longer than this nothing is known: whatever the level is then, it is not an edge. */
const silence_s = 2;

export class ContactWatch {
  /** Instant of the newest edge, in s; NaN until `take` returns true once. */
  edge_s = Number.NaN;
  /** When the watch last became ready for an edge, in s; Infinity while it is not. */
  armedSince_s = Number.POSITIVE_INFINITY;
  /** Instant of the newest stop that was none to be believed, because it came too soon; NaN before one. */
  tooSoon_s = Number.NaN;
  /** True while the channel says "running" (contact) or "not tripped" (switch). Null before the first sample. */
  isRunning: boolean | null = null;
  /** Since when it has been running, in s; Infinity while it is not. */
  runningSince_s = Number.POSITIVE_INFINITY;
  /** Instant of the newest sample, in s. */
  last_s = Number.NEGATIVE_INFINITY;
  /** Middle of the interval between the loss of drive and the edge, in s. */
  private readonly delay_s: number;
  /** Middle of the channel's dead time, in s: all other instants here are time stamps. */
  readonly late_s: number;
  private readonly runningLevel: 0 | 1;
  private readonly needed: number;
  private stops = 0;
  private arming_s = first_s;

  /** `late_s`: dead time of the channel. */
  constructor(source: ContactSource, nominalInterval_s: number, late_s = 0) {
    this.late_s = late_s;
    this.runningLevel = source.runningLevel;
    this.delay_s = (source.delay_s[0] + source.delay_s[1]) / 2;
    this.needed = Math.max(1, Math.round(chatter_s / nominalInterval_s));
  }

  /** When the contact itself opened, in s. */
  get opened_s(): number {
    return this.edge_s - this.late_s;
  }

  /** Estimated loss of drive, in s. */
  get trip_s(): number {
    return this.opened_s - this.delay_s;
  }

  /** Takes one sample that the line vouches for; true when it completes an edge. */
  take(value: number, time_s: number): boolean {
    const isFirst = this.last_s === Number.NEGATIVE_INFINITY;
    if (!isFirst && time_s - this.last_s > silence_s) this.forget();
    this.last_s = time_s;
    const isRunning = (value >= 0.5 ? 1 : 0) === this.runningLevel;
    if (isRunning) {
      this.isRunning = true;
      this.stops = 0;
      if (time_s - this.tooSoon_s < bounce_s) this.tooSoon_s = Number.NaN;
      if (time_s < this.runningSince_s) this.runningSince_s = time_s;
      const isLong = time_s - this.runningSince_s >= this.arming_s;
      if (this.armedSince_s === Number.POSITIVE_INFINITY && isLong) this.armedSince_s = time_s;
      return false;
    }
    this.arming_s = usual_s;
    if (this.stops === 0) this.edge_s = time_s;
    this.stops++;
    if (this.stops !== this.needed) return false;
    const wasArmed = this.armedSince_s <= time_s;
    if (!wasArmed && this.runningSince_s < this.edge_s) this.tooSoon_s = this.edge_s;
    this.isRunning = false;
    this.runningSince_s = Number.POSITIVE_INFINITY;
    return wasArmed;
  }

  /** Closes the watch until the channel has been running again for a while. */
  disarm(): void {
    this.arming_s = usual_s;
    this.armedSince_s = Number.POSITIVE_INFINITY;
  }

  private forget(): void {
    this.isRunning = null;
    this.stops = 0;
    this.runningSince_s = Number.POSITIVE_INFINITY;
    this.disarm();
  }
}
