/** Tables of trends.db and how it is opened. */
import { mkdirSync } from 'node:fs';
import { join } from 'node:path';
import { DatabaseSync } from 'node:sqlite';
import { UnavailableError } from '../errors.ts';
import { mustBeSound, type Opened, openOrBeginAnew } from '../store/damaged-database.ts';

const schemaVersion = 1;

const tables = `
  CREATE TABLE channel (id INTEGER PRIMARY KEY, tag TEXT NOT NULL UNIQUE) STRICT;
  CREATE TABLE newest (
    level_s INTEGER NOT NULL, channel INTEGER NOT NULL, start_s INTEGER NOT NULL,
    count INTEGER NOT NULL, min REAL, max REAL, mean REAL, squares REAL NOT NULL, flags INTEGER NOT NULL,
    PRIMARY KEY (level_s, channel, start_s)
  ) STRICT, WITHOUT ROWID;
  CREATE TABLE packed (
    level_s INTEGER NOT NULL, channel INTEGER NOT NULL, start_s INTEGER NOT NULL, rollups BLOB NOT NULL,
    PRIMARY KEY (level_s, channel, start_s)
  ) STRICT, WITHOUT ROWID;
  CREATE TABLE place (name TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT, WITHOUT ROWID;
  CREATE TABLE schema_version (version INTEGER NOT NULL) STRICT;
`;

/**
 * Opens or makes the trends. A damaged file is set aside and begins anew: the disk ring has the newest part of it. Throws
 * `UnavailableError` when it belongs to a newer version of the software.
 */
export function openTrendTables(dataFolder: string): Opened<DatabaseSync> {
  mkdirSync(dataFolder, { recursive: true });
  const path = join(dataFolder, 'trends.db');
  return openOrBeginAnew(path, () => openTables(path));
}

function openTables(path: string): DatabaseSync {
  const database = new DatabaseSync(path, { timeout: 5000 });
  try {
    // Not FULL: after a power cut the last transactions are read from the disk ring again.
    database.exec(
      'PRAGMA journal_mode = WAL; PRAGMA synchronous = NORMAL; PRAGMA journal_size_limit = 16777216;',
    );
    prepareTables(database, path);
    mustBeSound(database);
    return database;
  } catch (error) {
    database.close();
    throw error;
  }
}

function prepareTables(database: DatabaseSync, path: string): void {
  const has = database.prepare("SELECT 1 FROM sqlite_master WHERE name = 'schema_version'").get();
  if (has === undefined) {
    database.exec(`BEGIN; ${tables} INSERT INTO schema_version VALUES (${schemaVersion}); COMMIT`);
    return;
  }
  const found = Number(database.prepare('SELECT version FROM schema_version').get()?.['version']);
  if (found === schemaVersion) return;
  throw new UnavailableError(
    `${path} has form ${found}, this software writes form ${schemaVersion}: use the software that wrote it, or move the file away`,
  );
}
