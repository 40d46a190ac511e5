/** The index of events in tripwave.db. All it holds can be had from the event folders again. */
import type { DatabaseSync, StatementSync } from 'node:sqlite';
import type { Verdict } from '../analysis/verdict.ts';
import type { EventRow } from '../web/wire.ts';
import { openIndexTables } from './index-tables.ts';
import type { WaveSpeedRow } from './wave-speed-chart.ts';

/** An event without a verdict, and why it has none. */
export interface Unjudged {
  readonly id: string;
  readonly trouble: string;
}

/** One event as indexed; `trouble` says why it has no verdict, or what else is wrong with its folder. */
export interface IndexEntry {
  readonly row: EventRow;
  readonly trouble: string | null;
  /** What its newest revision says of wave speeds; not given back by `get`. */
  readonly waveSpeeds?: readonly WaveSpeedRow[];
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
  private readonly drops: readonly StatementSync[];
  private readonly dropSpeeds: StatementSync;
  private readonly putSpeed: StatementSync;
  private readonly speeds: StatementSync;

  /** Opens or makes the index. Throws `UnavailableError` when it belongs to a newer version of the software. */
  constructor(dataFolder: string) {
    const { opened, setAside } = openIndexTables(dataFolder);
    this.database = opened;
    this.setAside = setAside;
    this.putEvent = this.database.prepare(
      `INSERT INTO event (id, wall_ms, source, closed_because, shape, trouble, trace_removed) VALUES (?, ?, ?, ?, ?, ?, ?)
       ON CONFLICT (id) DO UPDATE SET shape = excluded.shape, trouble = excluded.trouble,
       trace_removed = excluded.trace_removed`,
    );
    this.putVerdict = this.database.prepare(
      'INSERT INTO verdict (event, revision, summary) VALUES (?, ?, ?) ON CONFLICT DO NOTHING',
    );
    const newest = `SELECT e.*, v.summary FROM event e LEFT JOIN verdict v ON v.event = e.id
      AND v.revision = (SELECT max(revision) FROM verdict WHERE event = e.id)`;
    this.page = this.database.prepare(`${newest} WHERE ?1 IS NULL OR e.id < ?1 ORDER BY e.id DESC LIMIT ?2`);
    this.span = this.database.prepare(`${newest} WHERE e.wall_ms >= ? AND e.wall_ms < ? ORDER BY e.wall_ms`);
    this.one = this.database.prepare(`${newest} WHERE e.id = ?`);
    this.dropSpeeds = this.database.prepare('DELETE FROM wave_speed WHERE event = ?');
    this.putSpeed = this.database.prepare(
      'INSERT INTO wave_speed (event, leg, wall_ms, row) VALUES (?, ?, ?, ?)',
    );
    this.speeds = this.database.prepare('SELECT row FROM wave_speed WHERE leg = ? ORDER BY wall_ms, event');
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

  /** Adds or renews one event and, when there is one, the revision that its row carries. */
  put({ row, trouble, waveSpeeds = [] }: IndexEntry): void {
    this.atOnce(() => {
      const shape = row.shape === null ? null : JSON.stringify(row.shape);
      const removed = row.traceRemoved === undefined ? null : JSON.stringify(row.traceRemoved);
      this.putEvent.run(row.id, row.wall_ms, row.source, row.closedBecause, shape, trouble, removed);
      if (row.verdict !== null) {
        this.putVerdict.run(row.id, row.verdict.revision, JSON.stringify(withoutHistories(row.verdict)));
      }
      this.dropSpeeds.run(row.id);
      for (const speed of waveSpeeds) {
        this.putSpeed.run(row.id, speed.leg, speed.wall_ms, JSON.stringify(speed));
      }
    });
  }

  /** Takes one event out; the next scan of the folders finds it. */
  forget(id: string): void {
    this.atOnce(() => {
      for (const drop of this.drops) drop.run(id);
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

  /** Events with their newest revision whose trip lies in [from_ms, to_ms), oldest first. */
  between(from_ms: number, to_ms: number): EventRow[] {
    return this.span.all(from_ms, to_ms).map((row) => entryOf(row).row);
  }

  /** One event with its newest revision; null when it is not known. */
  get(id: string): IndexEntry | null {
    const row = this.one.get(id);
    return row === undefined ? null : entryOf(row);
  }

  /** Wave speeds of a leg, oldest first. */
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

  /** Forgets everything; the folders have it all. */
  clear(): void {
    this.atOnce(() => this.database.exec('DELETE FROM event; DELETE FROM verdict; DELETE FROM wave_speed'));
  }

  close(): void {
    this.database.close();
  }

  /** All of it or nothing. */
  private atOnce(work: () => void): void {
    this.database.exec('BEGIN IMMEDIATE');
    try {
      work();
      this.database.exec('COMMIT');
    } catch (error) {
      // A full disk ends the transaction by itself; rolling back once more would hide why.
      if (this.database.isTransaction) this.database.exec('ROLLBACK');
      throw error;
    }
  }
}

function entryOf(row: Record<string, unknown>): IndexEntry {
  const parse = (text: unknown) => (typeof text === 'string' ? JSON.parse(text) : null);
  return {
    trouble: typeof row['trouble'] === 'string' ? row['trouble'] : null,
    row: {
      id: String(row['id']),
      wall_ms: Number(row['wall_ms']),
      source: String(row['source']),
      closedBecause: String(row['closed_because']),
      ...(typeof row['trouble'] === 'string' ? { trouble: row['trouble'] } : {}),
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
