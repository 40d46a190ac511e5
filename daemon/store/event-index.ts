/** The index of events in tripwave.db. All it holds can be had from the event folders again. */
import type { DatabaseSync, StatementSync } from 'node:sqlite';
import type { Verdict } from '../analysis/verdict.ts';
import { openIndexTables } from './index-tables.ts';
import { originalOf, type Span } from './same-trip.ts';

/** A row of the event list. GET /api/events?before=<id>&limit=<n> gives `{events: EventRow[]}`, newest first. */
export interface EventRow {
  readonly id: string;
  /** Trip instant, wall clock ms. */
  readonly wall_ms: number;
  readonly source: string;
  readonly closedBecause: string;
  /** Present when retention has removed the samples; the verdict stays. */
  readonly traceRemoved?: { readonly at_ms: number; readonly why: string };
  /**
   * Set on a window that a person kept round a trip that has an event already: the id of that event. It is the same trip,
   * `wall_ms` is that of the trip, and it is never counted.
   */
  readonly sameTripAs?: string;
  /** Why there is no verdict yet, or what else is wrong with the record; absent when all is well. */
  readonly trouble?: string;
  readonly verdict: Verdict | null;
  /** Outlet pressure of the active leg round the trip for a small picture: min/max pairs over equal slices. */
  readonly shape: {
    readonly from_s: number;
    readonly to_s: number;
    /** Nulls where samples are missing. */
    readonly minmax_Pa: readonly (number | null)[];
  } | null;
}

/** What one verdict says of one leg, with what the rig was taken for then. */
export interface WaveSpeedRow {
  readonly leg: string;
  readonly wall_ms: number;
  readonly value_mps: number;
  readonly low_mps: number;
  readonly high_mps: number;
  /** Without gas: formula, or what the rig file gives; half-width of its 95 % interval. */
  readonly expected_mps: number;
  readonly expectedHalfWidth_mps: number;
  /** In the leg at rest. */
  readonly pressure_PaAbs: number;
  readonly density_kgpm3: number;
  readonly bulkModulus_Pa: number;
  readonly temperature_K: number;
}

/** An event without a verdict, and why it has none. */
export interface Unjudged {
  readonly id: string;
  readonly trouble: string;
}

/** One event as indexed; `trouble` says why it has no verdict, or what else is wrong with its folder. */
export interface IndexEntry {
  readonly row: EventRow;
  readonly trouble: string | null;
  /** Where it lies in its run of the recorder; null when its header cannot be read. Not given back by `get`. */
  readonly span?: RunSpan | null;
  /** What its newest revision says of wave speeds; not given back by `get`. */
  readonly waveSpeeds?: readonly WaveSpeedRow[];
}

/** A span and the run of the recorder on whose clock it lies. */
export interface RunSpan extends Omit<Span, 'id'> {
  readonly boot: string;
}

/** Synchronous; a call that has returned is on the medium (WAL, synchronous FULL). */
export class EventIndex {
  /** Where a damaged index was set aside; null when there was none. This one is empty then. */
  readonly setAside: string | null;
  private readonly database: DatabaseSync;
  private readonly putEvent: StatementSync;
  private readonly putVerdict: StatementSync;
  private readonly page: StatementSync;
  private readonly span: StatementSync;
  private readonly one: StatementSync;
  private readonly ids: StatementSync;
  private readonly bare: StatementSync;
  private readonly overlapping: StatementSync;
  private readonly link: StatementSync;
  private readonly keptWindows: StatementSync;
  private readonly drops: readonly StatementSync[];
  private readonly dropSpeeds: StatementSync;
  private readonly putSpeed: StatementSync;
  private readonly speeds: StatementSync;

  /** Opens or makes the index. Throws `UnavailableError` when it belongs to a newer version of the software. */
  constructor(dataFolder: string, isVolatile = false) {
    const { opened, setAside } = openIndexTables(dataFolder, isVolatile);
    this.database = opened;
    this.setAside = setAside;
    this.putEvent = this.database.prepare(
      `INSERT OR REPLACE INTO event
       (id, wall_ms, source, closed_because, shape, trouble, trace_removed, boot, from_s, to_s, trip_s, kept_ms, same_trip_as)
       VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, (SELECT same_trip_as FROM event WHERE id = ?1))`,
    );
    this.putVerdict = this.database.prepare(
      'INSERT INTO verdict (event, revision, summary) VALUES (?, ?, ?) ON CONFLICT DO NOTHING',
    );
    const newest = `SELECT e.*, v.summary, original.wall_ms AS trip_wall_ms FROM event e
      LEFT JOIN event original ON original.id = e.same_trip_as
      LEFT JOIN verdict v ON v.event = e.id
      AND v.revision = (SELECT max(revision) FROM verdict WHERE event = e.id)`;
    this.page = this.database.prepare(`${newest} WHERE ?1 IS NULL OR e.id < ?1 ORDER BY e.id DESC LIMIT ?2`);
    this.span = this.database.prepare(
      `${newest} WHERE e.wall_ms >= ? AND e.wall_ms < ? AND e.same_trip_as IS NULL ORDER BY e.wall_ms`,
    );
    this.one = this.database.prepare(`${newest} WHERE e.id = ?`);
    this.dropSpeeds = this.database.prepare('DELETE FROM wave_speed WHERE event = ?');
    this.putSpeed = this.database.prepare(
      'INSERT INTO wave_speed (event, leg, wall_ms, row) VALUES (?, ?, ?, ?)',
    );
    this.speeds = this.database.prepare(
      `SELECT row FROM wave_speed WHERE leg = ? AND event NOT IN (SELECT id FROM event WHERE same_trip_as IS NOT NULL)
       ORDER BY wall_ms, event`,
    );
    this.overlapping = this.database.prepare(
      `SELECT id, source, from_s, to_s, trip_s, kept_ms, same_trip_as FROM event
       WHERE boot = ? AND from_s < ? AND to_s > ? ORDER BY id`,
    );
    this.keptWindows = this.database.prepare(
      "SELECT id FROM event WHERE source = 'window' AND trace_removed IS NULL ORDER BY id",
    );
    this.link = this.database.prepare('UPDATE event SET same_trip_as = ? WHERE id = ?');
    this.ids = this.database.prepare('SELECT id FROM event ORDER BY id');
    this.bare = this.database.prepare(
      'SELECT id, trouble FROM event WHERE id NOT IN (SELECT event FROM verdict) ORDER BY id DESC',
    );
    this.drops = [
      this.database.prepare('DELETE FROM event WHERE id = ?'),
      this.database.prepare('DELETE FROM verdict WHERE event = ?'),
      this.dropSpeeds,
    ];
  }

  /**
   * Adds or renews one event and, when there is one, the revision that its row carries. The ids of kept windows that belong
   * to another event than before, or to none; its own may be among them.
   */
  put({ row, trouble, span = null, waveSpeeds = [] }: IndexEntry): string[] {
    return this.atOnce(() => {
      const shape = row.shape === null ? null : JSON.stringify(row.shape);
      const removed = row.traceRemoved === undefined ? null : JSON.stringify(row.traceRemoved);
      this.putEvent.run(
        ...[row.id, row.wall_ms, row.source, row.closedBecause, shape, trouble, removed],
        ...[
          span?.boot ?? null,
          span?.from_s ?? null,
          span?.to_s ?? null,
          span?.trip_s ?? null,
          span?.kept_ms ?? null,
        ],
      );
      if (row.verdict !== null) {
        this.putVerdict.run(row.id, row.verdict.revision, JSON.stringify(withoutHistories(row.verdict)));
      }
      this.dropSpeeds.run(row.id);
      for (const speed of waveSpeeds) {
        this.putSpeed.run(row.id, speed.leg, speed.wall_ms, JSON.stringify(speed));
      }
      return span === null ? [] : this.relink(span);
    });
  }

  /** Links every kept window that overlaps `span` anew; the ids of those whose link has changed. */
  private relink({ boot, from_s, to_s }: RunSpan): string[] {
    const changed: string[] = [];
    for (const found of this.overlapping.all(boot, to_s, from_s)) {
      const window = spanOf(found);
      if (!window.isWindow) continue;
      const others = this.overlapping.all(boot, window.to_s, window.from_s).map(spanOf);
      const original = originalOf(
        window,
        others.filter(({ id }) => id !== window.id),
      );
      if (original === found['same_trip_as']) continue;
      this.link.run(original, window.id);
      changed.push(window.id);
    }
    return changed;
  }

  /** Takes one event out; the next scan of the folders finds it. Windows that belong to it stay linked meanwhile. */
  forget(id: string): void {
    this.atOnce(() => {
      for (const drop of this.drops) drop.run(id);
    });
  }

  /** Takes out an event whose folder is gone, and links the windows anew that belonged to it. */
  drop(id: string): void {
    this.atOnce(() => {
      const found = this.one.get(id);
      for (const drop of this.drops) drop.run(id);
      if (found !== undefined) this.relink({ ...spanOf(found), boot: String(found['boot']) });
    });
  }

  /** Notes that the samples of an event are gone; its row keeps verdict and picture. */
  markRemoved(id: string, note: EventRow['traceRemoved']): void {
    this.database.prepare('UPDATE event SET trace_removed = ? WHERE id = ?').run(JSON.stringify(note), id);
  }

  /** Newest first; `before` is an id, not included. Verdicts come without their velocity histories. */
  list(before: string | null, limit: number): EventRow[] {
    return this.page.all(before, limit).map((row) => entryOf(row).row);
  }

  /** Events with their newest revision whose trip lies in [from_ms, to_ms), oldest first; kept windows of the trip of another event are left out. */
  between(from_ms: number, to_ms: number): EventRow[] {
    return this.span.all(from_ms, to_ms).map((row) => entryOf(row).row);
  }

  /** One event with its newest revision; null when it is not known. */
  get(id: string): IndexEntry | null {
    const row = this.one.get(id);
    return row === undefined ? null : entryOf(row);
  }

  /** Wave speeds of a leg, one of each trip, oldest first. */
  waveSpeeds(leg: string): WaveSpeedRow[] {
    return this.speeds.all(leg).map((found) => JSON.parse(String(found['row'])));
  }

  /** All ids, oldest first. */
  known(): string[] {
    return this.ids.all().map((row) => String(row['id']));
  }

  /** Events without a verdict, newest first. */
  unjudged(): Unjudged[] {
    return this.bare.all().map(({ id, trouble }) => ({ id: String(id), trouble: String(trouble ?? '') }));
  }

  /** Ids of kept windows whose samples are there. */
  windows(): string[] {
    return this.keptWindows.all().map((row) => String(row['id']));
  }

  /** Forgets everything; the folders have it all. */
  clear(): void {
    this.atOnce(() => this.database.exec('DELETE FROM event; DELETE FROM verdict; DELETE FROM wave_speed'));
  }

  close(): void {
    this.database.close();
  }

  /** All of it or nothing. */
  private atOnce<T>(work: () => T): T {
    this.database.exec('BEGIN IMMEDIATE');
    try {
      const result = work();
      this.database.exec('COMMIT');
      return result;
    } catch (error) {
      // A full disk ends the transaction by itself; rolling back once more would hide why.
      if (this.database.isTransaction) this.database.exec('ROLLBACK');
      throw error;
    }
  }
}

function spanOf(row: Record<string, unknown>): Span {
  return {
    id: String(row['id']),
    isWindow: row['source'] === 'window',
    from_s: Number(row['from_s']),
    to_s: Number(row['to_s']),
    trip_s: row['trip_s'] === null ? null : Number(row['trip_s']),
    kept_ms: Number(row['kept_ms'] ?? 0),
  };
}

function entryOf(row: Record<string, unknown>): IndexEntry {
  const parse = (text: unknown) => (typeof text === 'string' ? JSON.parse(text) : null);
  return {
    trouble: typeof row['trouble'] === 'string' ? row['trouble'] : null,
    row: {
      id: String(row['id']),
      wall_ms: Number(row['trip_wall_ms'] ?? row['wall_ms']),
      source: String(row['source']),
      closedBecause: String(row['closed_because']),
      ...(typeof row['trouble'] === 'string' ? { trouble: row['trouble'] } : {}),
      ...(typeof row['same_trip_as'] === 'string' ? { sameTripAs: row['same_trip_as'] } : {}),
      verdict: parse(row['summary']),
      shape: parse(row['shape']),
      ...(row['trace_removed'] === null ? {} : { traceRemoved: parse(row['trace_removed']) }),
    },
  };
}

/** A list of fifty would be megabytes with the velocity histories in it. */
function withoutHistories(verdict: Verdict): Verdict {
  return { ...verdict, legs: verdict.legs.map((leg) => ({ ...leg, velocity: { time_s: [], value: [] } })) };
}
