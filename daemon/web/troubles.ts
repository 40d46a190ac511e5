/** What is wrong now, since when, and what to do: one list for every screen. */
import type { LinkState } from '../../drivers/driver.ts';
import type { StatusMessage, WallAnchor } from '../recorder/messages.ts';
import type { StatusView } from './wire.ts';

export type Trouble = StatusView['troubles'][number];

/** A loss stays on the list this long after its counter last grew, in ms. */
const lossShown_ms = 60_000;
/** The recorder reports twice a second; silent for longer than this it is taken for gone, in ms. */
export const recorderSilent_ms = 5_000;

/**
 * Counters of measurements or events that are gone for good. What is tried again, a poll that came late, and the live lane,
 * which is meant to leave out, are counted too but are nobody's trouble.
 */
const lossCounter = /^(scans|samples|values|blocks|events)(Lost|Dropped|Discarded)$/;

const linkWords: Record<LinkState['state'], string> = {
  opening: 'is being opened',
  open: 'is open',
  reconnecting: 'was interrupted',
  absent: 'has no device',
  busy: 'is held by another program',
  denied: 'may not be opened by this user',
  silent: 'is open but silent',
  ended: 'has come to its end',
  stopped: 'is stopped',
};

const linkRemedy: Partial<Record<LinkState['state'], string>> = {
  reconnecting: 'Check plug and cable; it is tried again by itself.',
  absent: 'Plug the device in or correct its path in the configuration.',
  busy: 'Close the program that holds the port.',
  denied: 'Add this user to the group that owns the port (often dialout).',
  silent: 'Check power, baud rate and address of the device.',
};

interface Loss {
  count: number;
  since_ms: number;
  last_ms: number;
  /** How much was lost since `since_ms`. */
  lost: number;
}

/** Watches status messages and gathers what is wrong. Wall times in ms. */
export class TroubleWatch {
  #losses = new Map<string, Loss>();
  #raised = new Map<string, Trouble>();

  /** A trouble that someone else noticed; raising the same key again keeps the first `since_ms`. */
  raise(key: string, what: string, remedy: string, now_ms: number): void {
    this.#raised.set(key, { since_ms: this.#raised.get(key)?.since_ms ?? now_ms, what, remedy });
  }

  clear(key: string): void {
    this.#raised.delete(key);
  }

  /** Compares the counters with those of the message before; the first message only sets the marks. */
  observe(status: StatusMessage, now_ms: number): void {
    for (const { line, counters } of status.lines) this.#watch(`line ${line}`, counters, now_ms);
    this.#watch('the recorder', status.counters, now_ms);
  }

  /** Oldest first. */
  list(status: StatusMessage | null, anchor: WallAnchor | null, now_ms: number): Trouble[] {
    const found: Trouble[] = [...this.#raised.values()];
    for (const { line, driver, link } of status?.lines ?? []) {
      if (link.state === 'open' || link.state === 'opening') continue;
      const since_ms = anchor === null ? now_ms : anchor.wall_ms + (link.since_s - anchor.time_s) * 1000;
      const remedy = link.why || linkRemedy[link.state] || '';
      found.push({ since_ms, what: `Line ${line} (${driver}) ${linkWords[link.state]}.`, remedy });
    }
    for (const [key, loss] of this.#losses) {
      if (loss.lost === 0 || now_ms - loss.last_ms > lossShown_ms) continue;
      found.push({
        since_ms: loss.since_ms,
        what: `${key[0]!.toUpperCase()}${key.slice(1)}: ${loss.lost}.`,
        remedy: 'The gaps are marked in the records. Check cabling and the load of this machine.',
      });
    }
    return found.sort((a, b) => a.since_ms - b.since_ms);
  }

  #watch(where: string, counters: Readonly<Record<string, number>>, now_ms: number): void {
    for (const [name, count] of Object.entries(counters)) {
      if (!lossCounter.test(name)) continue;
      const key = `${words(name)} on ${where}`;
      const before = this.#losses.get(key);
      if (before === undefined || count < before.count) {
        this.#losses.set(key, { count, since_ms: now_ms, last_ms: now_ms, lost: 0 });
        continue;
      }
      const grown = count - before.count;
      if (grown === 0) continue;
      if (before.lost === 0 || now_ms - before.last_ms > lossShown_ms) {
        before.since_ms = now_ms;
        before.lost = 0;
      }
      before.lost += grown;
      before.count = count;
      before.last_ms = now_ms;
    }
  }
}

/** `scansLost` -> `scans lost`. */
function words(counter: string): string {
  return counter.replace(/([A-Z])/g, (letter) => ` ${letter.toLowerCase()}`);
}
