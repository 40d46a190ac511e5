/** Where wall time and the monotonic clock meet. Wall time names events; it is never used for arithmetic. */
import { eventIdAt, idSuffixes } from '../store/event-folder.ts';
import type { WallAnchor } from './messages.ts';

/** Wall time of a monotonic instant, in ms since 1970. */
export function wallAt_ms({ time_s: at_s, wall_ms }: WallAnchor, time_s: number): number {
  return wall_ms + (time_s - at_s) * 1000;
}

/** The reverse: the monotonic instant of a wall time, in s. */
export function monotonicAt_s({ time_s, wall_ms: at_ms }: WallAnchor, wall_ms: number): number {
  return time_s + (wall_ms - at_ms) / 1000;
}

/** A difference larger than this is a step and not the slow correction of a time server, in ms. */
const step_ms = 100;

export class WallClock {
  anchor: WallAnchor;
  stepsSeen = 0;
  private readonly now_s: () => number;
  private readonly wallNow_ms: () => number;

  constructor(now_s: () => number, wallNow_ms: () => number) {
    this.now_s = now_s;
    this.wallNow_ms = wallNow_ms;
    this.anchor = this.read();
  }

  /** Reads both clocks anew; returns the step in ms when the wall clock was set, else 0. */
  renew(): number {
    const before = this.anchor;
    this.anchor = this.read();
    const expected_ms = wallAt_ms(before, this.anchor.time_s);
    const difference_ms = this.anchor.wall_ms - expected_ms;
    if (Math.abs(difference_ms) <= step_ms) return 0;
    this.stepsSeen++;
    return difference_ms;
  }

  /** Wall time at a monotonic instant by the newest anchor, in ms since 1970. */
  at_ms(time_s: number): number {
    return wallAt_ms(this.anchor, time_s);
  }

  private read(): WallAnchor {
    return { time_s: this.now_s(), wall_ms: this.wallNow_ms() };
  }
}

/** Ids such as `20261125T105912Z-A3F`: UTC second of the trip and a suffix that differs from event to event. */
export class EventIds {
  private next: number;

  /** `seed` 0 to 1: where the suffixes of this run begin. */
  constructor(seed: number) {
    this.next = Math.floor(seed * idSuffixes);
  }

  idAt(wall_ms: number): string {
    return eventIdAt(wall_ms, this.next++);
  }
}
