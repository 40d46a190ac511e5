/**
 * trips.jsonl in the data folder: one line when a trip is declared, before anything else of its event is on the disk, and one
 * when the event is published. A declaration without the second line is a trip whose event the next start owes. Old lines are
 * left out now and then, so that the file stays small.
 */

import { join } from 'node:path';
import type { Clock } from '../../drivers/clock.ts';
import type { WallAnchor } from '../clock.ts';
import type { TripSourceName } from './event-folder.ts';
import type { Files } from './files.ts';
import { LineLedger, readLines } from './line-ledger.ts';

/** More lines than this are too many; so many of the newest are kept, and what belongs to an open declaration before them. */
const mostLines = 1000;
const keptLines = 200;

/** A trip as it was declared, on the monotonic clock of the run `boot`. */
export interface TripDeclaration {
  /** Id of the event to come. */
  readonly event: string;
  readonly boot: string;
  readonly source: TripSourceName;
  readonly trip_s: number;
  /** Instant of the sample that completed it. */
  readonly seen_s: number;
  readonly declared_s: number;
  readonly anchor: WallAnchor;
}

/** What became of a declared trip: its event was written by its own run, rebuilt from the ring by a later one, or cannot be had. */
export type TripEnd = 'written' | 'rebuilt' | 'lost';

type TripLine =
  | ({ readonly kind: 'declared' } & TripDeclaration)
  | { readonly kind: 'closed'; readonly event: string; readonly as: TripEnd }
  /** The run ended in order. */
  | { readonly kind: 'stopped'; readonly boot: string; readonly wall_ms: number };

/** What earlier runs left. */
export interface TripHistory {
  /** Declared and not closed, oldest first. */
  readonly owed: readonly TripDeclaration[];
  /** Every declaration that is still on file, oldest first. */
  readonly declared: readonly TripDeclaration[];
  /** Runs that ended in order. */
  readonly stopped: ReadonlySet<string>;
  readonly linesTorn: number;
}

export function tripLedgerPath(dataFolder: string): string {
  return join(dataFolder, 'trips.jsonl');
}

/** Rejects with the system's error. */
export async function readTrips(dataFolder: string, files: Files): Promise<TripHistory> {
  const { entries, linesTorn } = await readLines(tripLedgerPath(dataFolder), files);
  const lines = entries.filter(isTripLine);
  return { ...historyOf(lines), linesTorn: linesTorn + entries.length - lines.length };
}

function historyOf(lines: readonly TripLine[]): Omit<TripHistory, 'linesTorn'> {
  const declared = new Map<string, TripDeclaration>();
  const closed = new Set<string>();
  const stopped = new Set<string>();
  for (const line of lines) {
    if (line.kind === 'stopped') stopped.add(line.boot);
    else if (line.kind === 'closed') closed.add(line.event);
    else {
      const { kind: _, ...declaration } = line;
      declared.set(declaration.event, declaration);
    }
  }
  const all = [...declared.values()];
  return { owed: all.filter(({ event }) => !closed.has(event)), declared: all, stopped };
}

/** The open declarations, and the next one of the same run after each: there the record of the open one ends. */
function neededFor({ owed, declared }: Omit<TripHistory, 'linesTorn'>): ReadonlySet<string> {
  const open = new Set(owed.map(({ event }) => event));
  const needed = new Set(open);
  const before = new Map<string, TripDeclaration>();
  for (const trip of declared.toSorted((a, b) => a.trip_s - b.trip_s)) {
    const last = before.get(trip.boot);
    if (last !== undefined && open.has(last.event)) needed.add(trip.event);
    before.set(trip.boot, trip);
  }
  return needed;
}

function isTripLine(entry: unknown): entry is TripLine {
  const line = entry as Partial<Record<string, unknown>> | null;
  if (typeof line !== 'object' || line === null) return false;
  if (line['kind'] === 'stopped') return typeof line['boot'] === 'string';
  if (typeof line['event'] !== 'string') return false;
  if (line['kind'] === 'closed') return true;
  const anchor = line['anchor'] as Partial<WallAnchor> | null;
  return (
    line['kind'] === 'declared' &&
    typeof line['boot'] === 'string' &&
    typeof line['source'] === 'string' &&
    [line['trip_s'], line['seen_s'], line['declared_s'], anchor?.time_s, anchor?.wall_ms].every(
      Number.isFinite,
    )
  );
}

export class TripLedger {
  readonly #ledger: LineLedger;
  #lines: TripLine[] = [];
  /** `#lines` has what earlier runs left. Else the file is never shortened: what they owe would be lost. */
  #isRead = false;
  #shortenAt = mostLines;

  /** `onRefused` is called for each attempt that the disk refused; it is asked again. */
  constructor(dataFolder: string, files: Files, onRefused: (error: unknown) => void, clock?: Clock) {
    this.#ledger = new LineLedger(tripLedgerPath(dataFolder), files, onRefused, clock);
  }

  get counters() {
    const { linesWritten, lineWritesFailed, linesGivenUp } = this.#ledger.counters;
    return {
      tripLinesWritten: linesWritten,
      tripLineWritesFailed: lineWritesFailed,
      tripLinesGivenUp: linesGivenUp,
    };
  }

  /** Takes over what earlier runs left; to be called once, before anything is added. */
  async begin(dataFolder: string, files: Files): Promise<TripHistory> {
    const { entries } = await readLines(tripLedgerPath(dataFolder), files);
    this.#lines = entries.filter(isTripLine);
    this.#isRead = true;
    const history = await readTrips(dataFolder, files);
    // One that cannot be removed is no reason to owe nothing; the next shortening writes over it.
    await files.remove(`${tripLedgerPath(dataFolder)}.tmp`).catch(() => undefined);
    if (history.linesTorn > 0 || this.#lines.length > keptLines) this.#shorten();
    this.#ledger.open();
    return history;
  }

  /** Begins to write at once; resolves when the declaration is on the medium. */
  async declared(declaration: TripDeclaration): Promise<void> {
    await this.#add({ kind: 'declared', ...declaration });
  }

  /** `event` is the id that was declared. */
  async closed(event: string, as: TripEnd): Promise<void> {
    await this.#add({ kind: 'closed', event, as });
  }

  /** The run ends in order; resolves when all is on the medium, or given up after `patience_s`. */
  async finish(boot: string, wall_ms: number, patience_s: number): Promise<void> {
    void this.#add({ kind: 'stopped', boot, wall_ms });
    await this.#ledger.finish(patience_s);
  }

  async #add(line: TripLine): Promise<void> {
    this.#lines.push(line);
    const added = this.#ledger.add(line);
    if (this.#isRead && this.#lines.length > this.#shortenAt) this.#shorten();
    await added;
  }

  #shorten(): void {
    const needed = neededFor(historyOf(this.#lines));
    const first = Math.max(0, this.#lines.length - keptLines);
    this.#lines = this.#lines.filter(
      (line, at) => at >= first || (line.kind !== 'stopped' && needed.has(line.event)),
    );
    // Many may be open: not written anew with each further line.
    this.#shortenAt = Math.max(mostLines, 2 * this.#lines.length);
    this.#ledger.replace(this.#lines);
  }
}
