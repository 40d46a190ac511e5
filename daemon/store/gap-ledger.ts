/**
 * gaps.jsonl in the data folder: times without a recorder, and declared trips whose samples cannot be had any more. A recorder that
 * is started anew every few seconds would fill it: of the oldest, those without a trip are left out first.
 */

import { join } from 'node:path';
import type { Clock } from '../../drivers/clock.ts';
import type { TripSourceName } from './event-folder.ts';
import type { Files } from './files.ts';
import { LineLedger, readLines } from './line-ledger.ts';

/** What the pump did over a time without a recorder, by the samples on both sides of it. */
export type PumpMeanwhile =
  /** Ran before, stands after: a trip fell into the gap. */
  | 'stopped'
  /** Ran before and after; what was in between is not known. */
  | 'running'
  /** Stood before, or its stop is on record. */
  | 'at-rest'
  /** No contact, switch or meter shows it. */
  | 'unknown';

/** From the last durable sample of one run of the recorder to the first sample of the next. */
export interface DownTime {
  readonly kind: 'no-recorder';
  /** The run before; a later line of the same run replaces an earlier one. */
  readonly after: string;
  /** Wall clock, ms since 1970. */
  readonly from_ms: number;
  readonly to_ms: number;
  /** The run before had ended in order. */
  readonly isClean: boolean;
  readonly pump: PumpMeanwhile;
}

/** A trip that was declared and has no event. */
export interface LostTrip {
  readonly kind: 'trip-lost';
  readonly event: string;
  readonly source: TripSourceName;
  /** Of the trip, wall clock, ms since 1970. */
  readonly at_ms: number;
  /** One sentence. */
  readonly why: string;
}

export type RecorderGap = DownTime | LostTrip;

/** So many of those in which a trip was lost, or the pump stopped, are kept, and so many others. */
const keptTrips = 2000;
const keptOthers = 500;
/** More lines in the file than this are too many. */
const mostLines = 2 * (keptTrips + keptOthers);

export function gapLedgerPath(dataFolder: string): string {
  return join(dataFolder, 'gaps.jsonl');
}

/** Oldest first. Rejects with the system's error. */
export async function readGaps(dataFolder: string, files: Files): Promise<readonly RecorderGap[]> {
  const { entries } = await readLines(gapLedgerPath(dataFolder), files);
  return withoutReplaced(entries.filter(isGap));
}

function withoutReplaced(gaps: readonly RecorderGap[]): RecorderGap[] {
  const found = new Map<string, RecorderGap>();
  for (const gap of gaps) {
    const key = keyOf(gap);
    found.delete(key);
    found.set(key, gap);
  }
  return [...found.values()];
}

function keyOf(gap: RecorderGap): string {
  return gap.kind === 'no-recorder' ? `run ${gap.after}` : `trip ${gap.event}`;
}

const pumpStates: readonly unknown[] = [
  'stopped',
  'running',
  'at-rest',
  'unknown',
] satisfies readonly PumpMeanwhile[];
const sources: readonly unknown[] = [
  'contact',
  'pressure-switch',
  'pressure-knee',
  'surge',
  'window',
] satisfies readonly TripSourceName[];

/** A trip was lost in it. */
function isOfTrip(gap: RecorderGap): boolean {
  return gap.kind === 'trip-lost' || gap.pump === 'stopped';
}

/** Every key is looked at: the pages show all of them, and a line that lacks one would end the server at each look. */
function isGap(entry: unknown): entry is RecorderGap {
  const gap = entry as Partial<Record<string, unknown>> | null;
  if (typeof gap !== 'object' || gap === null) return false;
  if (gap['kind'] === 'trip-lost') {
    const isNamed = typeof gap['event'] === 'string' && typeof gap['why'] === 'string';
    return isNamed && sources.includes(gap['source']) && isInstant(gap['at_ms']);
  }
  return (
    gap['kind'] === 'no-recorder' &&
    typeof gap['after'] === 'string' &&
    typeof gap['isClean'] === 'boolean' &&
    pumpStates.includes(gap['pump']) &&
    isInstant(gap['from_ms']) &&
    isInstant(gap['to_ms'])
  );
}

/** A date can be made of it (ECMA-262, time values: up to 8.64e15 ms from 1970). */
function isInstant(value: unknown): boolean {
  return typeof value === 'number' && Math.abs(value) <= 8.64e15;
}

export class GapLedger {
  /** Oldest first. */
  gaps: readonly RecorderGap[] = [];
  /** `gaps` has what earlier runs stated. Else the file is never shortened: all of it would be lost. */
  isRead = false;
  readonly #ledger: LineLedger;
  /** In the file. */
  #lines = 0;

  constructor(dataFolder: string, files: Files, onRefused: (error: unknown) => void, clock?: Clock) {
    this.#ledger = new LineLedger(gapLedgerPath(dataFolder), files, onRefused, clock);
  }

  async begin(dataFolder: string, files: Files): Promise<void> {
    const { entries, linesTorn } = await readLines(gapLedgerPath(dataFolder), files);
    this.gaps = withoutReplaced(entries.filter(isGap));
    this.isRead = true;
    this.#lines = entries.length + linesTorn;
    // Left by a shortening that was killed; the next one writes over what cannot be removed.
    await files.remove(`${gapLedgerPath(dataFolder)}.tmp`).catch(() => undefined);
    if (this.#lines > mostLines) this.#shorten();
  }

  /** Resolves when it is on the medium; it stands in `gaps` at once. */
  async add(gap: RecorderGap): Promise<void> {
    const key = keyOf(gap);
    this.gaps = [...this.gaps.filter((other) => keyOf(other) !== key), gap];
    this.#lines++;
    const added = this.#ledger.add(gap);
    if (this.isRead && this.#lines > mostLines) this.#shorten();
    await added;
  }

  async finish(patience_s: number): Promise<void> {
    await this.#ledger.finish(patience_s);
  }

  #shorten(): void {
    const trips = new Set(this.gaps.filter(isOfTrip).slice(-keptTrips));
    const others = new Set(this.gaps.filter((gap) => !isOfTrip(gap)).slice(-keptOthers));
    this.gaps = this.gaps.filter((gap) => trips.has(gap) || others.has(gap));
    this.#lines = this.gaps.length;
    this.#ledger.replace(this.gaps);
  }
}
