/**
 * Trends of all channels for years: rollups of 1 s, 1 min and 1 h in `trends.db`. The newest stand as rows and take late
 * data; older ones are packed into blobs of an hour, a day or 30 days. Synchronous: one call, one transaction.
 */
import type { DatabaseSync, StatementSync } from 'node:sqlite';
import { isDamage } from '../store/damaged-database.ts';
import { countPacked, packRollups, unpackRollups } from './trend-pack.ts';
import { coarser, merged, type Rollup, type TrendLevel_s, trendLevels_s } from './trend-rollup.ts';
import { openTrendTables } from './trend-tables.ts';

/** Length of a blob by level, in s. */
const blob_s: Readonly<Record<TrendLevel_s, number>> = { 1: 3600, 60: 86_400, 3600: 30 * 86_400 };

/** How long each level is kept, in s. */
export type TrendKeep_s = Readonly<Record<TrendLevel_s, number>>;

/** A month of seconds, three years of minutes, hours for longer than a station lives. */
const ordinaryKeep_s: TrendKeep_s = { 1: 31 * 86_400, 60: 3 * 366 * 86_400, 3600: 100 * 366 * 86_400 };

/** Rollups read for one answer at most; more are taken from a coarser level. */
const mostRead = 20_000;

/** A trend for a picture. */
export interface Trend {
  /** Length of the stretches, in s: a multiple of a level. */
  readonly step_s: number;
  /** Ascending; where nothing was recorded there is no rollup. */
  readonly rollups: readonly Rollup[];
}

/** What is to be added in one transaction: rollups by channel and level, and where the reader stands after them. */
export interface TrendAddition {
  readonly rollups: ReadonlyMap<string, Readonly<Record<TrendLevel_s, readonly Rollup[]>>>;
  /** Name -> text; kept together with the rollups, so that none is counted twice after a kill. */
  readonly places: Readonly<Record<string, string>>;
}

export class TrendStore {
  /** Where a damaged `trends.db` was set aside; null when there was none. This one is empty then. */
  readonly setAside: string | null;
  /** A page of it could not be read or written: to be closed and opened anew. */
  isDamaged = false;
  readonly #database: DatabaseSync;
  readonly #keep_s: TrendKeep_s;
  readonly #one: StatementSync;
  readonly #put: StatementSync;
  readonly #rows: StatementSync;
  readonly #blobs: StatementSync;
  readonly #place: StatementSync;
  readonly #putPlace: StatementSync;
  readonly #oldestOf: readonly StatementSync[];
  readonly #ids = new Map<string, number>();

  /** Opens or makes `trends.db`; a damaged one is set aside and begins anew. Throws `UnavailableError` when it belongs to a newer version. */
  constructor(dataFolder: string, keep_s: TrendKeep_s = ordinaryKeep_s) {
    const { opened, setAside } = openTrendTables(dataFolder);
    this.#keep_s = keep_s;
    this.#database = opened;
    this.setAside = setAside;
    this.#one = this.#database.prepare(
      'SELECT * FROM newest WHERE level_s = ? AND channel = ? AND start_s = ?',
    );
    this.#put = this.#database.prepare('INSERT OR REPLACE INTO newest VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)');
    this.#rows = this.#database.prepare(
      'SELECT * FROM newest WHERE level_s = ? AND channel = ? AND start_s >= ? AND start_s < ? ORDER BY start_s',
    );
    this.#blobs = this.#database.prepare(
      'SELECT start_s, rollups FROM packed WHERE level_s = ? AND channel = ? AND start_s > ? AND start_s < ? ORDER BY start_s',
    );
    this.#place = this.#database.prepare('SELECT value FROM place WHERE name = ?');
    this.#putPlace = this.#database.prepare('INSERT OR REPLACE INTO place VALUES (?, ?)');
    this.#oldestOf = ['packed', 'newest'].map((table) =>
      this.#database.prepare(`SELECT min(start_s) AS oldest FROM ${table} WHERE level_s = ? AND channel = ?`),
    );
    for (const row of this.#database.prepare('SELECT id, tag FROM channel').all()) {
      this.#ids.set(String(row['tag']), Number(row['id']));
    }
  }

  /** Tags of all channels that have a trend. */
  get channels(): readonly string[] {
    return [...this.#ids.keys()].sort();
  }

  add({ rollups, places }: TrendAddition): void {
    this.#watched(() => this.#add({ rollups, places }));
  }

  #add({ rollups, places }: TrendAddition): void {
    this.#transaction(() => {
      for (const [tag, levels] of rollups) {
        const channel = this.#idOf(tag);
        for (const level_s of trendLevels_s) {
          for (const rollup of levels[level_s]) this.#merge(level_s, channel, rollup);
        }
      }
      for (const [name, value] of Object.entries(places)) this.#putPlace.run(name, value);
    });
  }

  /** What `add` kept under a name. */
  place(name: string): string | null {
    const row = this.#watched(() => this.#place.get(name));
    return row === undefined ? null : String(row['value']);
  }

  /**
   * Rollups of one level that begin in [from_s, to_s), ascending, in s since 1970.
   */
  read(tag: string, level_s: TrendLevel_s, from_s: number, to_s: number): Rollup[] {
    return this.#watched(() => this.#read(tag, level_s, from_s, to_s));
  }

  #read(tag: string, level_s: TrendLevel_s, from_s: number, to_s: number): Rollup[] {
    const channel = this.#ids.get(tag);
    if (channel === undefined) return [];
    const rows = this.#rows.all(level_s, channel, from_s, to_s).map(rollupOfRow);
    const packed = this.#packed(level_s, channel, from_s, to_s)
      .flatMap((blob) => unpackRollups(blob, level_s))
      .filter(({ start_s }) => start_s >= from_s && start_s < to_s);
    if (rows.length === 0) return packed;
    // Late data may stand as rows beside the blob of their hour.
    return packed.length === 0 ? rows : coarser([...packed, ...rows], level_s);
  }

  /** Time of [from_s, to_s) that stretches of one level with a sample in them cover, in s: `read` without its numbers. */
  covered_s(tag: string, level_s: TrendLevel_s, from_s: number, to_s: number): number {
    const channel = this.#ids.get(tag);
    if (channel === undefined) return 0;
    const packed = this.#watched(() => this.#packed(level_s, channel, from_s, to_s));
    const isNewest = this.#watched(() => this.#rows.get(level_s, channel, from_s, to_s)) !== undefined;
    const stretches = isNewest
      ? this.read(tag, level_s, from_s, to_s).filter(({ count }) => count > 0).length
      : packed.reduce((sum, blob) => sum + countPacked(blob, level_s, from_s, to_s), 0);
    return stretches * level_s;
  }

  /** At most some `points` stretches of [from_s, to_s), from the finest level that is still kept and quick to read. */
  trend(tag: string, from_s: number, to_s: number, points: number): Trend {
    const wanted_s = Math.max(1, (to_s - from_s) / points);
    const readable = trendLevels_s.filter((level_s) => (to_s - from_s) / level_s <= mostRead);
    const fine = readable.filter((level_s) => level_s <= wanted_s).at(-1) ?? readable[0] ?? 3600;
    const from = trendLevels_s.indexOf(fine);
    for (const level_s of trendLevels_s.slice(from)) {
      const step_s = Math.max(1, Math.ceil(wanted_s / level_s)) * level_s;
      const rollups = this.read(tag, level_s, from_s, to_s);
      if (this.#covers(tag, level_s, from_s) || level_s === trendLevels_s.at(-1)) {
        return { step_s, rollups: step_s === level_s ? rollups : coarser(rollups, step_s) };
      }
    }
    return { step_s: wanted_s, rollups: [] };
  }

  /** Packs what is old enough to be complete and drops what is older than it is kept. `now_s` since 1970. */
  tidy(now_s: number): void {
    const drop = 'DELETE FROM packed WHERE level_s = ? AND start_s < ?';
    this.#watched(() =>
      this.#transaction(() => {
        for (const level_s of trendLevels_s) {
          this.#packLevel(level_s, now_s);
          this.#database.prepare(drop).run(level_s, now_s - this.#keep_s[level_s] - blob_s[level_s]);
        }
      }),
    );
  }

  /** What the packed rollups of a level take, in bytes. */
  packed_bytes(level_s: TrendLevel_s): number {
    const row = this.#database
      .prepare('SELECT sum(length(rollups)) AS bytes FROM packed WHERE level_s = ?')
      .get(level_s);
    return Number(row?.['bytes'] ?? 0);
  }

  /** Closing once more does nothing. */
  close(): void {
    if (this.#database.isOpen) this.#database.close();
  }

  #watched<T>(work: () => T): T {
    try {
      return work();
    } catch (error) {
      if (isDamage(error)) this.isDamaged = true;
      throw error;
    }
  }

  /** Blobs that may hold rollups which begin in [from_s, to_s). */
  #packed(level_s: TrendLevel_s, channel: number, from_s: number, to_s: number): Uint8Array[] {
    return this.#blobs
      .all(level_s, channel, from_s - blob_s[level_s], to_s)
      .map((row) => row['rollups'] as Uint8Array);
  }

  /** Whether this level still reaches back to `from_s`, or at least as far as the coarser ones do. */
  #covers(tag: string, level_s: TrendLevel_s, from_s: number): boolean {
    const oldest = this.#oldest(tag, level_s);
    if (oldest === null) return false;
    const next = trendLevels_s[trendLevels_s.indexOf(level_s) + 1];
    const before = next === undefined ? null : this.#oldest(tag, next);
    return oldest <= from_s || before === null || oldest <= before + (next ?? 0);
  }

  #oldest(tag: string, level_s: TrendLevel_s): number | null {
    const channel = this.#ids.get(tag);
    if (channel === undefined) return null;
    const found = this.#oldestOf.flatMap((statement) => {
      const row = statement.get(level_s, channel);
      return row?.['oldest'] == null ? [] : [Number(row['oldest'])];
    });
    return found.length === 0 ? null : Math.min(...found);
  }

  #merge(level_s: TrendLevel_s, channel: number, rollup: Rollup): void {
    const before = this.#one.get(level_s, channel, rollup.start_s);
    const { start_s, count, min, max, mean, squares, flags } =
      before === undefined ? rollup : merged(rollupOfRow(before), rollup);
    const number = (value: number) => (Number.isNaN(value) ? null : value);
    this.#put.run(level_s, channel, start_s, count, number(min), number(max), number(mean), squares, flags);
  }

  /** Blobs whose time is over by a tenth of their length: data that comes later is merged at the next tidying. */
  #packLevel(level_s: TrendLevel_s, now_s: number): void {
    const length_s = blob_s[level_s];
    const before_s = Math.floor((now_s - length_s / 10) / length_s) * length_s;
    const due = this.#database
      .prepare(
        `SELECT DISTINCT channel, start_s / ${length_s} AS blob FROM newest WHERE level_s = ? AND start_s < ?`,
      )
      .all(level_s, before_s);
    const find = this.#database.prepare(
      'SELECT rollups FROM packed WHERE level_s = ? AND channel = ? AND start_s = ?',
    );
    const put = this.#database.prepare('INSERT OR REPLACE INTO packed VALUES (?, ?, ?, ?)');
    const drop = this.#database.prepare(
      'DELETE FROM newest WHERE level_s = ? AND channel = ? AND start_s >= ? AND start_s < ?',
    );
    for (const row of due) {
      const channel = Number(row['channel']);
      const start_s = Number(row['blob']) * length_s;
      const rows = this.#rows.all(level_s, channel, start_s, start_s + length_s).map(rollupOfRow);
      const old = find.get(level_s, channel, start_s);
      const all =
        old === undefined
          ? rows
          : coarser([...unpackRollups(old['rollups'] as Uint8Array, level_s), ...rows], level_s);
      put.run(level_s, channel, start_s, packRollups(all, level_s));
      drop.run(level_s, channel, start_s, start_s + length_s);
    }
  }

  #idOf(tag: string): number {
    const known = this.#ids.get(tag);
    if (known !== undefined) return known;
    this.#database.prepare('INSERT INTO channel (tag) VALUES (?)').run(tag);
    const id = Number(this.#database.prepare('SELECT id FROM channel WHERE tag = ?').get(tag)!['id']);
    this.#ids.set(tag, id);
    return id;
  }

  #transaction(work: () => void): void {
    this.#database.exec('BEGIN IMMEDIATE');
    try {
      work();
      this.#database.exec('COMMIT');
    } catch (error) {
      // A full disk has ended the transaction already.
      if (this.#database.isTransaction) this.#database.exec('ROLLBACK');
      throw error;
    }
  }
}

function rollupOfRow(row: Record<string, unknown>): Rollup {
  const number = (value: unknown) => (value === null ? Number.NaN : Number(value));
  return {
    start_s: Number(row['start_s']),
    count: Number(row['count']),
    min: number(row['min']),
    max: number(row['max']),
    mean: number(row['mean']),
    squares: Number(row['squares']),
    flags: Number(row['flags']),
  };
}
