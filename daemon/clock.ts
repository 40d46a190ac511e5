/**
 * Monotonic and wall time, and where they meet. Samples carry monotonic time; wall time names events and is never used for
 * arithmetic. Both are read from the injected clock of `drivers/clock.ts`.
 */

/** Wall time (ms since 1970, UTC) at a monotonic instant. */
export interface WallAnchor {
  readonly time_s: number;
  readonly wall_ms: number;
}

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
