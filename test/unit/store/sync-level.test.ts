/** The databases that hold what was acknowledged wait for the medium at each commit. */
import { DatabaseSync } from 'node:sqlite';
import { afterEach, beforeEach, expect, test, vi } from 'vitest';
import { openIndexTables } from '../../../daemon/store/index-tables.ts';
import { temporaryFolder } from '../../support/event-builder.ts';

let folder: ReturnType<typeof temporaryFolder>;
beforeEach(() => {
  folder = temporaryFolder();
});
afterEach(() => folder.remove());

test('the index commits with synchronous FULL in WAL (sqlite.org/pragma.html: 2 is FULL)', () => {
  const exec = vi.spyOn(DatabaseSync.prototype, 'exec');
  openIndexTables(folder.path);
  const database = exec.mock.contexts[0] as DatabaseSync;
  exec.mockRestore();
  expect(database.prepare('PRAGMA synchronous').get()).toEqual({ synchronous: 2 });
  expect(database.prepare('PRAGMA journal_mode').get()).toEqual({ journal_mode: 'wal' });
  database.close();
});
