/** One recorder a data folder. */
import { closeSync, existsSync, mkdirSync, openSync } from 'node:fs';
import { dirname, join, resolve } from 'node:path';
import { DatabaseSync } from 'node:sqlite';
import { ConfigError } from '../../config/fault.ts';
import { UnavailableError } from '../errors.ts';
import { codeOf, type Files, isFullDisk, messageOf } from './files.ts';

/** Held until `release` or the end of the process, however it ends. */
export interface FolderLock {
  release(): void;
}

/** SQLITE_BUSY (sqlite.org/rescode.html). */
const busyCode = 5;

/** What a person has to mend: no further try would go better. */
const lastingCodes: Readonly<Record<string, string>> = {
  EROFS: 'it is mounted read-only: mount it for writing',
  EACCES: 'this user may not write there: give it to the user that records (chown)',
  EPERM: 'this user may not write there: give it to the user that records (chown)',
  ENOTDIR: 'a part of its path is a file: correct the path',
  EEXIST: 'it is a file: correct the path',
  EISDIR: 'recorder.lock is a folder there: move it away',
  ELOOP: 'its links lead round in a circle: correct the path',
  ENAMETOOLONG: 'its name is too long: correct the path',
};

/**
 * Locks a data folder for writing events; makes it when it is not there. Throws `UnavailableError` when another recorder has it,
 * `ConfigError` when a person has to mend it (rights, a read-only mount, a wrong path), the system's error when the disk is full.
 * SQLite's lock on an empty database is the operating system's: it leaves nothing behind after kill -9, and needs no process
 * number, which two containers may share.
 */
export function lockDataFolder(dataFolder: string): FolderLock {
  const path = join(dataFolder, 'recorder.lock');
  let database: DatabaseSync | null = null;
  try {
    makeFolder(dataFolder);
    // SQLite does not say why it cannot open a file; the system does.
    closeSync(openSync(path, 'a'));
    database = new DatabaseSync(path, { timeout: 0 });
    // Nothing is ever written, so nothing need be undone: else kill -9 would leave an empty journal beside it.
    database.exec('PRAGMA journal_mode = MEMORY; BEGIN EXCLUSIVE');
  } catch (error) {
    database?.close();
    throw reasonOf(error, dataFolder);
  }
  const held = database;
  return {
    release() {
      held.close();
    },
  };
}

/** Below a read-only place Node's recursive call says ENOENT; making the first missing folder alone says why. */
function makeFolder(path: string): void {
  try {
    mkdirSync(path, { recursive: true });
  } catch (error) {
    if (codeOf(error) !== 'ENOENT') throw error;
    let missing = resolve(path);
    while (!existsSync(dirname(missing))) missing = dirname(missing);
    mkdirSync(missing);
    throw error;
  }
}

function reasonOf(error: unknown, dataFolder: string): unknown {
  if (isFullDisk(error)) return error;
  if ((error as { errcode?: unknown } | null)?.errcode === busyCode) {
    const why = `another recorder writes into ${dataFolder}: stop it, or give this one a data folder of its own`;
    return new UnavailableError(why, { cause: error });
  }
  const remedy = lastingCodes[codeOf(error)];
  if (remedy === undefined) {
    const why = `the data folder ${dataFolder} cannot be used: ${messageOf(error)}`;
    return new UnavailableError(why, { cause: error });
  }
  const message = `nothing could be kept there; ${remedy}, or name another with --data or dataFolder`;
  return new ConfigError([
    { severity: 'fault', file: `data folder ${dataFolder}`, place: null, path: '', message },
  ]);
}

/** A lock, and the files of its folder as they may be used under it. */
export interface LockedFiles {
  readonly files: Files;
  /** Why the folder is not locked yet; null when it is. */
  readonly why: string | null;
  release(): void;
}

/**
 * As `lockDataFolder`, but a full disk is no error: the lock is then taken by the first write that the disk allows, and no write
 * goes before it. Whoever writes tries again by itself, so nothing else need know.
 */
export function lockWhenPossible(dataFolder: string, files: Files, lockFolder = lockDataFolder): LockedFiles {
  let lock: FolderLock | null = null;
  let why: string | null = null;
  try {
    lock = lockFolder(dataFolder);
  } catch (error) {
    if (!isFullDisk(error)) throw error;
    why = messageOf(error);
  }
  const locked = (): void => {
    lock ??= lockFolder(dataFolder);
  };
  const release = (): void => lock?.release();
  if (lock !== null) return { files, why, release };
  const guarded: Files = {
    ...files,
    async makeFolder(path) {
      locked();
      await files.makeFolder(path);
    },
    async create(path) {
      locked();
      return await files.create(path);
    },
    async append(path) {
      locked();
      return await files.append(path);
    },
    async rename(from, to) {
      locked();
      await files.rename(from, to);
    },
    async publish(from, to) {
      locked();
      await files.publish(from, to);
    },
    async remove(path) {
      locked();
      await files.remove(path);
    },
  };
  return { files: guarded, why, release };
}
