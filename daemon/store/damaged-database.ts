/** What a bad sector or a torn write left of a database that can be made again: it is set aside and begins anew. */
import { existsSync, renameSync, rmSync } from 'node:fs';
import type { DatabaseSync } from 'node:sqlite';
import { isFullDisk } from './files.ts';

/** The file is a database and holds something else than it should; the message says what. */
export class DamagedDatabase extends Error {
  override name = 'DamagedDatabase';
}

export interface Opened<T> {
  readonly opened: T;
  /** Where a damaged file was set aside; null when there was none. */
  readonly setAside: string | null;
}

/** Opens with `open`; when the file is damaged, sets it aside and opens once more, which makes it anew. Other errors are thrown. */
export function openOrBeginAnew<T>(path: string, open: () => T): Opened<T> {
  try {
    return { opened: open(), setAside: null };
  } catch (error) {
    if (!isDamage(error)) throw error;
    const aside = `${path}.damaged-${Date.now()}`;
    if (existsSync(path)) renameSync(path, aside);
    for (const end of ['-wal', '-shm']) rmSync(`${path}${end}`, { force: true });
    return { opened: open(), setAside: aside };
  }
}

/** Throws `DamagedDatabase` when a page is not what it should be. Reads the whole file. */
export function mustBeSound(database: DatabaseSync): void {
  const check = database.prepare('PRAGMA quick_check(1)').get()?.['quick_check'];
  if (check !== 'ok') throw new DamagedDatabase(String(check));
}

/** SQLite result codes of a damaged file: SQLITE_CORRUPT, SQLITE_NOTADB (sqlite.org/rescode.html). */
const damageCodes = [11, 26];

/** Whether an error of SQLite says that the file itself is damaged. */
export function isDamage(error: unknown): boolean {
  if (error instanceof DamagedDatabase) return true;
  const code = (error as { errcode?: unknown }).errcode;
  return typeof code === 'number' && damageCodes.includes(code & 0xff);
}

/**
 * SQLite result codes of a disk that takes nothing or cannot be read: SQLITE_IOERR, SQLITE_FULL, SQLITE_CANTOPEN (sqlite.org/rescode.html).
 * SQLITE_READONLY is none of them: that is for a person to mend.
 */
const refusalCodes = [10, 13, 14];

/** Whether a database could not be opened or made because the disk refused, which may pass. */
export function isRefusedByDisk(error: unknown): boolean {
  const code = (error as { errcode?: unknown } | null)?.errcode;
  if (typeof code === 'number') return refusalCodes.includes(code & 0xff);
  return error instanceof Error && isFullDisk(error);
}
