/** Tables of tripwave.db and how it is opened. */
import { mkdirSync } from 'node:fs';
import { join } from 'node:path';
import { DatabaseSync } from 'node:sqlite';
import { UnavailableError } from '../errors.ts';
import { mustBeSound, type Opened, openOrBeginAnew } from './damaged-database.ts';

/** Grows by one with each change of the tables; older ones are made anew from the folders. */
const schemaVersion = 5;

const tables = `
  CREATE TABLE event (
    id TEXT PRIMARY KEY,
    wall_ms REAL NOT NULL,
    source TEXT NOT NULL,
    closed_because TEXT NOT NULL,
    shape TEXT,
    trouble TEXT,
    trace_removed TEXT,
    boot TEXT,
    from_s REAL,
    to_s REAL,
    trip_s REAL,
    kept_ms REAL,
    same_trip_as TEXT
  ) STRICT;
  CREATE INDEX event_span ON event (boot, from_s);
  CREATE INDEX event_wall ON event (wall_ms);
  CREATE TABLE verdict (
    event TEXT NOT NULL,
    revision INTEGER NOT NULL,
    summary TEXT NOT NULL,
    PRIMARY KEY (event, revision)
  ) STRICT;
  CREATE TABLE wave_speed (
    event TEXT NOT NULL,
    leg TEXT NOT NULL,
    wall_ms REAL NOT NULL,
    row TEXT NOT NULL,
    PRIMARY KEY (leg, wall_ms, event)
  ) STRICT, WITHOUT ROWID;
  CREATE INDEX wave_speed_event ON wave_speed (event);
`;

/**
 * Opens or makes the index, WAL and synchronous FULL. A damaged one is set aside and begins anew, as the folders have all of
 * it. Throws `UnavailableError` when it belongs to a newer version of the software. `isVolatile`: in memory alone, for a data
 * folder that takes nothing.
 */
export function openIndexTables(dataFolder: string, isVolatile = false): Opened<DatabaseSync> {
  if (!isVolatile) mkdirSync(dataFolder, { recursive: true });
  const path = isVolatile ? ':memory:' : join(dataFolder, 'tripwave.db');
  return openOrBeginAnew(path, () => {
    const database = new DatabaseSync(path, { timeout: 5000 });
    try {
      database.exec(
        'PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL; PRAGMA journal_size_limit = 16777216;',
      );
      prepareTables(database, path);
      mustBeSound(database);
      return database;
    } catch (error) {
      database.close();
      throw error;
    }
  });
}

function prepareTables(database: DatabaseSync, path: string): void {
  database.exec('CREATE TABLE IF NOT EXISTS schema_version (version INTEGER NOT NULL) STRICT');
  const found = database.prepare('SELECT version FROM schema_version').get()?.['version'];
  if (found === schemaVersion) return;
  if (found !== undefined && Number(found) > schemaVersion) {
    throw new UnavailableError(
      `${path} was made by a newer version (tables ${String(found)}, this one supports ${schemaVersion}): update the software`,
    );
  }
  database.exec(
    `BEGIN; DROP TABLE IF EXISTS event; DROP TABLE IF EXISTS verdict; DROP TABLE IF EXISTS wave_speed; ${tables}
       DELETE FROM schema_version; INSERT INTO schema_version VALUES (${schemaVersion}); COMMIT`,
  );
}
