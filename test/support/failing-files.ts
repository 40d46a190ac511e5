/** A disk whose n-th operation fails. */
import { disk, type Files, type OpenFile } from '../../daemon/store/files.ts';

export interface FailingFiles extends Files {
  /** Operations asked for so far. */
  readonly operations: () => number;
  /** True when the n-th operation has been reached. */
  readonly hasFailed: () => boolean;
}

/**
 * The real disk, but operation `n` (from 1) fails with ENOSPC; with `forEver` every one after it as well, as if the
 * process had been killed there. A failing write leaves half of its bytes behind, a failing rename nothing; a failing close
 * gives the descriptor back all the same. With `hasReads` also what only reads is counted, and may fail.
 */
export function failingFiles(n: number, forEver: boolean, hasReads = false): FailingFiles {
  let operations = 0;
  const fails = () => {
    operations++;
    return operations === n || (forEver && operations > n);
  };
  const full = (what: string) =>
    Object.assign(new Error(`${what}: no space left (operation ${operations})`), { code: 'ENOSPC' });
  const wrap = (file: OpenFile): OpenFile => ({
    async write(bytes) {
      if (!fails()) return file.write(bytes);
      await file.write(bytes.subarray(0, bytes.length >> 1));
      throw full('write');
    },
    async sync() {
      if (fails()) throw full('sync');
      await file.sync();
    },
    async close() {
      await file.close();
      if (fails()) throw full('close');
    },
  });
  return {
    operations: () => operations,
    hasFailed: () => operations >= n,
    async makeFolder(path) {
      if (fails()) throw full('make folder');
      await disk.makeFolder(path);
    },
    async create(path) {
      if (fails()) throw full('create');
      return wrap(await disk.create(path));
    },
    async append(path) {
      if (fails()) throw full('append');
      return wrap(await disk.append(path));
    },
    async syncFolder(path) {
      if (fails()) throw full('sync folder');
      await disk.syncFolder(path);
    },
    async rename(from, to) {
      if (fails()) throw full('rename');
      await disk.rename(from, to);
    },
    async publish(from, to) {
      if (fails()) throw full('publish');
      await disk.publish(from, to);
    },
    async list(path) {
      if (hasReads && fails()) throw full('list');
      return disk.list(path);
    },
    async read(path) {
      if (hasReads && fails()) throw full('read');
      return disk.read(path);
    },
    facts: (path) => disk.facts(path),
    space: (path) => disk.space(path),
    openToRead: (path) => disk.openToRead(path),
    async remove(path) {
      if (fails()) throw full('remove');
      await disk.remove(path);
    },
  };
}
