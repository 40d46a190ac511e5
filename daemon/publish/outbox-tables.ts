/** Tables of outbox.db and how it is opened. */
import { mkdirSync } from 'node:fs';
import { join } from 'node:path';
import { DatabaseSync } from 'node:sqlite';
import { DamagedDatabase, mustBeSound, openOrBeginAnew } from '../store/damaged-database.ts';

/** Nobody else writes here; one that does must not stop the pages for long. In ms. */
const lockWait_ms = 500;
/** Pages that are kept in memory, in KiB: a queue is read once, from its two ends (2000 by default cost 0.4 MB more, no time). */
const cache_KiB = 256;
/** Grows by one with each change of the tables. */
const schemaVersion = 1;

const tables = `
  CREATE TABLE source (
    id INTEGER PRIMARY KEY,
    node TEXT NOT NULL,
    boot TEXT NOT NULL,
    UNIQUE (node, boot)
  ) STRICT;
  CREATE TABLE message (
    seq INTEGER PRIMARY KEY,
    source INTEGER NOT NULL,
    kind TEXT NOT NULL,
    at_ms REAL NOT NULL,
    payload TEXT NOT NULL
  ) STRICT;
  CREATE TABLE told (
    event TEXT NOT NULL,
    revision INTEGER NOT NULL,
    PRIMARY KEY (event, revision)
  ) STRICT, WITHOUT ROWID;
  CREATE TABLE mark (
    name TEXT PRIMARY KEY,
    value REAL NOT NULL
  ) STRICT, WITHOUT ROWID;
  CREATE TABLE sink (
    name TEXT PRIMARY KEY,
    place TEXT NOT NULL,
    counters TEXT NOT NULL
  ) STRICT, WITHOUT ROWID;
  CREATE TABLE dead_letter (
    id INTEGER PRIMARY KEY,
    sink TEXT NOT NULL,
    seq INTEGER NOT NULL,
    kind TEXT NOT NULL,
    at_ms REAL NOT NULL,
    rejected_ms REAL NOT NULL,
    why TEXT NOT NULL,
    sent TEXT NOT NULL
  ) STRICT;
  CREATE INDEX dead_letter_sink ON dead_letter (sink, id);
`;

export interface OpenedTables {
  readonly database: DatabaseSync;
  /** Where a damaged file was set aside; null when there was none. */
  readonly setAside: string | null;
}

/**
 * Opens or makes the file. One that cannot be read, or has tables of another version, is set aside: the queue is not worth
 * a server that does not start. `fill` runs in the transaction that makes the tables.
 */
export function openTables(dataFolder: string, fill: (database: DatabaseSync) => void): OpenedTables {
  mkdirSync(dataFolder, { recursive: true });
  const path = join(dataFolder, 'outbox.db');
  const { opened, setAside } = openOrBeginAnew(path, () => prepare(path, fill));
  return { database: opened, setAside };
}

function prepare(path: string, fill: (database: DatabaseSync) => void): DatabaseSync {
  const database = new DatabaseSync(path, { timeout: lockWait_ms });
  try {
    // Must be set before the first table; lets the file shrink again after an outage.
    database.exec(
      'PRAGMA auto_vacuum = INCREMENTAL; PRAGMA journal_mode = WAL; PRAGMA journal_size_limit = 16777216;',
    );
    database.exec(`PRAGMA cache_size = -${cache_KiB}`);
    const found = Number(database.prepare('PRAGMA user_version').get()?.['user_version']);
    if (found === schemaVersion) {
      mustBeSound(database);
      return database;
    }
    if (found !== 0) throw new DamagedDatabase(`tables of version ${found}`);
    database.exec(`BEGIN IMMEDIATE; ${tables}`);
    fill(database);
    database.exec(`PRAGMA user_version = ${schemaVersion}; COMMIT`);
    return database;
  } catch (error) {
    database.close();
    throw error;
  }
}
