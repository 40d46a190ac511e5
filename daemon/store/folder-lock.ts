/** One recorder a data folder. */
import { mkdirSync } from 'node:fs';
import { join } from 'node:path';
import { DatabaseSync } from 'node:sqlite';
import { UnavailableError } from '../errors.ts';
import { messageOf } from './files.ts';

/** Held until `release` or the end of the process, however it ends. */
export interface FolderLock {
  release(): void;
}

/**
 * Locks a data folder for writing events; makes it when it is not there. Throws `UnavailableError` when another recorder
 * has it. SQLite's lock on an empty database is the operating system's: it leaves nothing behind after kill -9, and
 * needs no process number, which two containers may share.
 */
export function lockDataFolder(dataFolder: string): FolderLock {
  const path = join(dataFolder, 'recorder.lock');
  let database: DatabaseSync | null = null;
  try {
    mkdirSync(dataFolder, { recursive: true });
    database = new DatabaseSync(path, { timeout: 0 });
    // Nothing is ever written, so nothing need be undone: else kill -9 would leave an empty journal beside it.
    database.exec('PRAGMA journal_mode = MEMORY; BEGIN EXCLUSIVE');
  } catch (error) {
    database?.close();
    const isTaken = /locked/.test(messageOf(error));
    const why = isTaken
      ? `another recorder writes into ${dataFolder}: stop it, or give this one a data folder of its own`
      : `the data folder ${dataFolder} cannot be used: ${messageOf(error)}`;
    throw new UnavailableError(why, { cause: error });
  }
  const held = database;
  return {
    release() {
      held.close();
    },
  };
}
