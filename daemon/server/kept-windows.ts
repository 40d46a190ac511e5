/**
 * Kept windows wait here until it is known whether their trip has an event of its own: the event may still be open, or come
 * later in the same scan. Told too early, a window would be counted as a trip of its own by whoever listens.
 */

import type { EventRow } from '../store/event-index.ts';
import type { Ingested } from './take-in.ts';

/** No record of a trip is open longer than this, in ms; one whose end was never told holds nothing up beyond it. */
const longestOpen_ms = 60_000;

/** Wall times in ms. */
export class KeptWindows {
  readonly #open = new Map<string, number>();
  #held = new Map<string, Ingested>();

  /** A trip was declared; its record is open until `closed`. */
  opened(event: string, now_ms: number): void {
    this.#open.set(event, now_ms);
  }

  closed(event: string): void {
    this.#open.delete(event);
  }

  /** Keeps a window back; false for an event of the recorder, which waits for nothing. */
  hold(ingested: Ingested): boolean {
    if (ingested.row.source !== 'window') return false;
    this.#held.set(ingested.row.id, ingested);
    return true;
  }

  /** A row was linked to another trip than before; false when it is not kept back here. */
  changed(row: EventRow): boolean {
    const held = this.#held.get(row.id);
    if (held === undefined) return false;
    this.#held.set(row.id, { ...held, row: { ...row, verdict: held.row.verdict } });
    return true;
  }

  /** What waits for nothing any more. */
  release(now_ms: number): Ingested[] {
    for (const [event, since_ms] of this.#open) {
      if (Math.abs(now_ms - since_ms) > longestOpen_ms) this.#open.delete(event);
    }
    if (this.#open.size > 0) return [];
    const released = [...this.#held.values()];
    this.#held = new Map();
    return released;
  }
}
