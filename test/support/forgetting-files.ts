/**
 * A disk in memory that loses what was not synced: the bytes of a file last written before its sync, and names made, taken
 * or given before the sync of their folder. What a power cut does and a kill does not. Files only: folders cannot be renamed.
 */
import { dirname } from 'node:path';
import { setImmediate as turn } from 'node:timers/promises';
import type { Files, OpenFile } from '../../daemon/store/files.ts';

interface Node {
  bytes: Buffer;
  /** What is on the medium. */
  kept: Buffer;
}

/** Contents by path, as found after a cut. */
export type Image = ReadonlyMap<string, Uint8Array>;

export interface ForgettingFiles extends Files {
  /** What a cut at this moment would leave. */
  cut(): Image;
  /** Called before each sync of a file or folder takes effect. */
  onSync: () => void;
}

const nothing = async () => undefined;
const missing = (path: string) => Object.assign(new Error(`${path}: not there`), { code: 'ENOENT' });

/** Begins with these files on the medium. */
export function forgettingFiles(image: Image = new Map()): ForgettingFiles {
  const node = (bytes: Uint8Array): Node => ({ bytes: Buffer.from(bytes), kept: Buffer.from(bytes) });
  const live = new Map([...image].map(([path, bytes]) => [path, node(bytes)] as const));
  const kept = new Map(live);
  const open = (own: Node): OpenFile => ({
    async write(bytes) {
      own.bytes = Buffer.concat([own.bytes, bytes]);
    },
    async sync() {
      // It takes its time, and keeps what was written before it began.
      const { bytes } = own;
      await turn();
      files.onSync();
      own.kept = bytes;
    },
    close: nothing,
  });
  const found = (path: string): Node => {
    const own = live.get(path);
    if (own === undefined) throw missing(path);
    return own;
  };
  const files: ForgettingFiles = {
    onSync: () => undefined,
    cut: () => new Map([...kept].map(([path, own]) => [path, own.kept])),
    makeFolder: nothing,
    async create(path) {
      const own = live.get(path) ?? node(Buffer.alloc(0));
      own.bytes = Buffer.alloc(0);
      live.set(path, own);
      return open(own);
    },
    async append(path) {
      const own = live.get(path) ?? node(Buffer.alloc(0));
      live.set(path, own);
      return open(own);
    },
    async syncFolder(folder) {
      files.onSync();
      for (const path of kept.keys()) if (dirname(path) === folder && !live.has(path)) kept.delete(path);
      for (const [path, own] of live) if (dirname(path) === folder) kept.set(path, own);
    },
    async rename(from, to) {
      live.set(to, found(from));
      live.delete(from);
    },
    async publish(from, to) {
      if (live.has(to)) throw Object.assign(new Error(`${to} exists`), { code: 'EEXIST' });
      await files.rename(from, to);
    },
    async list(folder) {
      return [...live.keys()]
        .filter((path) => dirname(path) === folder)
        .map((path) => path.slice(folder.length + 1));
    },
    read: async (path) => found(path).bytes,
    async openToRead(path) {
      const own = found(path);
      return {
        size_bytes: async () => own.bytes.length,
        read: async (at, length) => own.bytes.subarray(at, at + length),
        close: nothing,
      };
    },
    facts: async (path) => ({ size_bytes: found(path).bytes.length, modified_ms: 0 }),
    space: async () => ({ free_bytes: 1e12, total_bytes: 1e12 }),
    async remove(path) {
      for (const each of live.keys()) if (each === path || each.startsWith(`${path}/`)) live.delete(each);
    },
  };
  return files;
}
