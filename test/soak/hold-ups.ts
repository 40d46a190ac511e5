/** When the machine held a process up, by a ticker of its own: evidence for what was late on a busy machine. */
import { monotonic_s } from '../../drivers/driver.ts';

/** The process did nothing between the two instants, monotonic, in s. */
export interface HoldUp {
  readonly from_s: number;
  readonly to_s: number;
}

const tick_ms = 20;
/** A tick later than this after the one before is noted, in s. */
const noted_s = 0.06;

export class HoldUps {
  #spans: HoldUp[] = [];
  #last_s = monotonic_s();

  constructor() {
    setInterval(() => this.#tick(), tick_ms).unref();
  }

  /** Those since the last call. */
  take(): HoldUp[] {
    this.#tick();
    const spans = this.#spans;
    this.#spans = [];
    return spans;
  }

  #tick(): void {
    const now_s = monotonic_s();
    if (now_s - this.#last_s > noted_s) this.#spans.push({ from_s: this.#last_s, to_s: now_s });
    this.#last_s = now_s;
  }
}

/** Whether a process was held up at some time between the instants. */
export function isHeldUp(holdUps: readonly HoldUp[], from_s: number, to_s: number): boolean {
  return holdUps.some((span) => span.from_s <= to_s && span.to_s >= from_s);
}
