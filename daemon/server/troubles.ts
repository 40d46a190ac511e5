/** What is wrong now, since when, and what to do: one list for every screen. */
import type { LinkState } from '../../drivers/driver.ts';
import type { WallAnchor } from '../clock.ts';
import { wallAt_ms } from '../clock.ts';
import { counterRow } from '../counters.ts';
import type { StatusMessage } from '../recorder/messages.ts';
import { linkWords } from '../web/link-words.ts';
import type { Trouble } from '../web/wire.ts';
import { gapTroubles } from './gap-troubles.ts';

/** A loss is told for this long; what was lost before stands only in the counters since start, in ms. */
const lossShown_ms = 60_000;
/** The recorder reports twice a second; silent for longer than this it is taken for gone, in ms. */
export const recorderSilent_ms = 5_000;

const linkRemedy: Partial<Record<LinkState['state'], string>> = {
  reconnecting: 'Check plug and cable.',
  absent: 'Plug the device in or correct its path in the configuration.',
  busy: 'Close the program that uses the port.',
  denied: 'Add this user to the group that owns the port (often dialout).',
  silent: 'Check power, baud rate and address of the device.',
};

/** A tolerated loss is told only where its share stays above this for as long as losses are told. */
const sustainedShare = 0.1;

/** One counter over the last `lossShown_ms`. */
interface Loss {
  count: number;
  /** What was counted when, oldest first. */
  readonly grown: { readonly at_ms: number; readonly lost: number }[];
}

/** A lossy counter beside what it is a share of, at two instants. */
interface Share {
  readonly at_ms: number;
  readonly lost: number;
  readonly of: number;
}

/** Watches status messages and gathers what is wrong. Wall times in ms. */
export class TroubleWatch {
  #losses = new Map<string, Loss>();
  #shares = new Map<string, Share[]>();
  #raised = new Map<string, Trouble>();

  /** A trouble that someone else noticed; raising the same key again keeps the first `since_ms`. */
  raise(key: string, what: string, remedy: string, now_ms: number): void {
    this.#raised.set(key, { key, since_ms: this.#raised.get(key)?.since_ms ?? now_ms, what, remedy });
  }

  clear(key: string): void {
    this.#raised.delete(key);
  }

  /** What was raised under `key` and not cleared yet. */
  raised(key: string): Trouble | null {
    return this.#raised.get(key) ?? null;
  }

  /** Compares the counters with those of the message before; the first message only sets the marks. */
  observe(status: StatusMessage, now_ms: number): void {
    for (const { line, counters } of status.lines) this.#watch(`line ${line}`, counters, now_ms);
    this.#watch('the recorder', status.counters, now_ms);
  }

  /** Oldest first. */
  list(status: StatusMessage | null, anchor: WallAnchor | null, now_ms: number): Trouble[] {
    const found: Trouble[] = [...this.#raised.values(), ...gapTroubles(status?.gaps ?? [], now_ms)];
    const wallOf = (time_s: number): number => (anchor === null ? now_ms : wallAt_ms(anchor, time_s));
    for (const { line, driver, link, silentDevices = [] } of status?.lines ?? []) {
      if (link.state === 'open') {
        for (const { id, since_s } of silentDevices) {
          found.push({
            key: `device ${id} of ${line}`,
            since_ms: wallOf(since_s),
            what: `Device ${id} on line ${line} does not answer.`,
            remedy: 'Check its power, wiring and address. The others are still read. Retrying.',
          });
        }
      }
      if (link.state === 'open' || link.state === 'opening') continue;
      const since_ms = wallOf(link.since_s);
      const again = link.nextTry_s === undefined ? '' : ' Retrying.';
      const remedy = `${link.why || linkRemedy[link.state] || ''}${again}`;
      found.push({
        key: `line ${line}`,
        since_ms,
        what: `Line ${line} (${driver}) ${linkWords[link.state]}.`,
        remedy,
      });
    }
    for (const [key, { grown }] of this.#losses) {
      const recent = grown.filter(({ at_ms }) => now_ms - at_ms <= lossShown_ms);
      const first = recent[0];
      if (first === undefined) continue;
      const lost = recent.reduce((sum, each) => sum + each.lost, 0);
      found.push({
        key,
        since_ms: first.at_ms,
        what: `${capital(key)}: ${lost} in the last minute, ${rate(lost / (lossShown_ms / 1000))} a second.`,
        remedy: 'Check the cable and the load of this machine. The gaps are marked in the records.',
      });
    }
    for (const [key, shares] of this.#shares) {
      const trouble = sustained(key, shares, now_ms);
      if (trouble !== null) found.push(trouble);
    }
    return found.sort((a, b) => a.since_ms - b.since_ms);
  }

  #watch(where: string, counters: Readonly<Record<string, number>>, now_ms: number): void {
    for (const [name, count] of Object.entries(counters)) {
      const key = `${words(name)} on ${where}`;
      const row = counterRow(name);
      if (row?.loss === 'data') this.#count(key, count, now_ms);
      const of = counters[row?.tolerated?.of ?? ''];
      if (of !== undefined) this.#weigh(`${name} ${where}`, { at_ms: now_ms, lost: count, of });
    }
  }

  #count(key: string, count: number, now_ms: number): void {
    const before = this.#losses.get(key);
    if (before === undefined || count < before.count) {
      this.#losses.set(key, { count, grown: [] });
      return;
    }
    if (count > before.count) before.grown.push({ at_ms: now_ms, lost: count - before.count });
    before.count = count;
    while (before.grown.length > 0 && now_ms - before.grown[0]!.at_ms > lossShown_ms) before.grown.shift();
  }

  /** Keeps one mark a second and the newest one older than the span, against which the newest is weighed. */
  #weigh(key: string, now: Share): void {
    const shares = this.#shares.get(key) ?? [];
    const last = shares.at(-1);
    if (last !== undefined && (now.lost < last.lost || now.of < last.of)) shares.length = 0;
    const isDue = shares.length === 0 || now.at_ms - shares.at(-1)!.at_ms >= 1000;
    if (isDue) shares.push(now);
    while (shares.length > 1 && now.at_ms - shares[1]!.at_ms >= lossShown_ms) shares.shift();
    this.#shares.set(key, shares);
  }
}

/** A trouble once a whole span has been watched and the share lost in it is too large. */
function sustained(key: string, shares: readonly Share[], now_ms: number): Trouble | null {
  const [name = ''] = key.split(' ', 1);
  const oldest = shares[0];
  const newest = shares.at(-1);
  const tolerated = counterRow(name)?.tolerated;
  if (oldest === undefined || newest === undefined || tolerated === undefined) return null;
  if (newest.at_ms - oldest.at_ms < lossShown_ms || now_ms - newest.at_ms > lossShown_ms) return null;
  const lost = newest.lost - oldest.lost;
  const others = newest.of - oldest.of;
  const share = lost / Math.max(1, tolerated.isPart ? others : lost + others);
  if (share < sustainedShare) return null;
  const where = key.slice(name.length + 1);
  return {
    key,
    since_ms: oldest.at_ms,
    what: `${capital(words(name))} on ${where}: ${Math.round(share * 100)} % over the last minute.`,
    remedy: tolerated.remedy,
  };
}

function rate(perSecond: number): string {
  return perSecond < 0.1 ? 'less than 0.1' : perSecond.toFixed(perSecond < 10 ? 1 : 0);
}

function capital(text: string): string {
  return `${text[0]!.toUpperCase()}${text.slice(1)}`;
}

/** `scansLost` -> `scans lost`. */
function words(counter: string): string {
  return counter.replace(/([A-Z])/g, (letter) => ` ${letter.toLowerCase()}`);
}
