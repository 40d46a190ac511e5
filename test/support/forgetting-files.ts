/**
 * A disk in memory that loses what was not synced: the bytes of a file last written before its sync, and names made, taken
 * or given in a folder before the sync of that folder. What a power cut does and a kill does not. `/data` is there.
 */
import { basename, dirname } from 'node:path';
import { setImmediate as turn } from 'node:timers/promises';
import type { Files, OpenFile } from '../../daemon/store/files.ts';

interface File {
  readonly kind: 'file';
  bytes: Buffer;
  /** What is on the medium. */
  kept: Buffer;
}

interface Folder {
  readonly kind: 'folder';
  readonly names: Map<string, File | Folder>;
  /** What is on the medium. */
  kept: ReadonlyMap<string, File | Folder>;
}

/** Contents of files by path, as found after a cut. */
export type Image = ReadonlyMap<string, Uint8Array>;

export interface ForgettingFiles extends Files {
  /** What a cut at this moment leaves at the least. */
  cut(): Image;
  /** The same of a file system that had put every name on the medium by itself, ahead of the bytes. */
  cutWithNames(): Image;
  /** Called before each sync of a file or folder takes effect. */
  onSync: () => void;
}

const nothing = async () => undefined;
const fault = (code: string, path: string) => Object.assign(new Error(`${path}: ${code}`), { code });
const newFolder = (): Folder => ({ kind: 'folder', names: new Map(), kept: new Map() });

/** Begins with these files on the medium. */
export function forgettingFiles(image: Image = new Map()): ForgettingFiles {
  const root = newFolder();
  const find = (path: string): File | Folder => {
    let node: File | Folder = root;
    for (const name of path.split('/').filter((part) => part !== '')) {
      const next: File | Folder | undefined = node.kind === 'folder' ? node.names.get(name) : undefined;
      if (next === undefined) throw fault('ENOENT', path);
      node = next;
    }
    return node;
  };
  const folderAt = (path: string): Folder => {
    const node = find(path);
    if (node.kind !== 'folder') throw fault('ENOTDIR', path);
    return node;
  };
  const fileAt = (path: string): File => {
    const node = find(path);
    if (node.kind !== 'file') throw fault('EISDIR', path);
    return node;
  };
  const isThere = (path: string) => folderAt(dirname(path)).names.has(basename(path));
  const makeFolder = (path: string): Folder => {
    if (path === '/') return root;
    const { names } = makeFolder(dirname(path));
    if (!names.has(basename(path))) names.set(basename(path), newFolder());
    return folderAt(path);
  };
  const give = (path: string): File => {
    if (isThere(path)) return fileAt(path);
    const own: File = { kind: 'file', bytes: Buffer.alloc(0), kept: Buffer.alloc(0) };
    folderAt(dirname(path)).names.set(basename(path), own);
    return own;
  };
  const keepAll = (folder: Folder): void => {
    folder.kept = new Map(folder.names);
    for (const node of folder.names.values()) if (node.kind === 'folder') keepAll(node);
  };
  const imageOf = (hasAllNames: boolean): Image => {
    const found = new Map<string, Uint8Array>();
    const walk = (folder: Folder, path: string): void => {
      for (const [name, node] of hasAllNames ? folder.names : folder.kept) {
        if (node.kind === 'file') found.set(`${path}/${name}`, node.kept);
        else walk(node, `${path}/${name}`);
      }
    };
    walk(root, '');
    return found;
  };
  const open = (own: File): OpenFile => ({
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
  const files: ForgettingFiles = {
    onSync: () => undefined,
    cut: () => imageOf(false),
    cutWithNames: () => imageOf(true),
    async makeFolder(path) {
      makeFolder(path);
    },
    async create(path) {
      const own = give(path);
      own.bytes = Buffer.alloc(0);
      return open(own);
    },
    append: async (path) => open(give(path)),
    async syncFolder(path) {
      const folder = folderAt(path);
      const names = new Map(folder.names);
      await turn();
      files.onSync();
      folder.kept = names;
    },
    async rename(from, to) {
      const node = find(from);
      const target = folderAt(dirname(to)).names;
      const taken = target.get(basename(to));
      if (taken?.kind === 'folder' && taken.names.size > 0) throw fault('ENOTEMPTY', to);
      folderAt(dirname(from)).names.delete(basename(from));
      target.set(basename(to), node);
    },
    async publish(from, to) {
      if (isThere(to)) throw fault('EEXIST', to);
      await files.rename(from, to);
    },
    async list(path) {
      try {
        return [...folderAt(path).names.keys()];
      } catch {
        return [];
      }
    },
    read: async (path) => fileAt(path).bytes,
    async openToRead(path) {
      const own = fileAt(path);
      return {
        size_bytes: async () => own.bytes.length,
        read: async (at, length) => own.bytes.subarray(at, at + length),
        close: nothing,
      };
    },
    async facts(path) {
      const node = find(path);
      return { size_bytes: node.kind === 'file' ? node.bytes.length : 0, modified_ms: 0 };
    },
    space: async () => ({ free_bytes: 1e12, total_bytes: 1e12 }),
    async remove(path) {
      try {
        folderAt(dirname(path)).names.delete(basename(path));
      } catch (error) {
        if ((error as { code?: string }).code !== 'ENOENT') throw error;
      }
    },
  };
  makeFolder('/data');
  for (const [path, bytes] of image) {
    makeFolder(dirname(path));
    const own = give(path);
    own.bytes = Buffer.from(bytes);
    own.kept = own.bytes;
  }
  keepAll(root);
  return files;
}

/** The same disk for a process that is killed after `operations`: `onKill` runs, and from then on no call comes back. */
export function killedAfter(files: Files, operations: number, onKill: () => void = () => undefined): Files {
  let left = operations;
  const guard = <Rest extends unknown[], T>(call: (...rest: Rest) => Promise<T>) => {
    return async (...rest: Rest): Promise<T> => {
      if (left-- <= 0) {
        onKill();
        await new Promise(() => undefined);
      }
      return await call(...rest);
    };
  };
  const guarded = async (opening: Promise<OpenFile>): Promise<OpenFile> => {
    const file = await opening;
    return { write: guard(file.write), sync: guard(file.sync), close: guard(file.close) };
  };
  return {
    ...files,
    makeFolder: guard(files.makeFolder),
    create: guard((path: string) => guarded(files.create(path))),
    append: guard((path: string) => guarded(files.append(path))),
    syncFolder: guard(files.syncFolder),
    rename: guard(files.rename),
    publish: guard(files.publish),
    remove: guard(files.remove),
  };
}
