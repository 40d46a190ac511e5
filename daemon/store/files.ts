/** The few file operations that the store stands on. Injected, so that a test can fail the n-th of them. */
import {
  access,
  type FileHandle,
  link,
  mkdir,
  open,
  readdir,
  readFile,
  rename,
  rm,
  stat,
  statfs,
  unlink,
} from 'node:fs/promises';
import { notAFile } from '../../drivers/regular-file.ts';
import { DataError } from '../errors.ts';

/** A file open for writing. `sync` resolves when its bytes are on the medium. */
export interface OpenFile {
  write(bytes: Uint8Array): Promise<void>;
  sync(): Promise<void>;
  close(): Promise<void>;
}

/** A file open for reading. */
export interface ReadableFile {
  /** Present length; a file that is being written grows. */
  size_bytes(): Promise<number>;
  /** Up to `length` bytes from `at` on; fewer at the end of the file. */
  read(at: number, length: number): Promise<Uint8Array>;
  close(): Promise<void>;
}

/** Every call rejects with the system's error; nothing is retried here. */
export interface Files {
  /** Makes the folder and those above it; no error when it is there. */
  makeFolder(path: string): Promise<void>;
  /** Opens for writing and empties what was there. */
  create(path: string): Promise<OpenFile>;
  /** Opens for writing behind what is there. */
  append(path: string): Promise<OpenFile>;
  /** Makes the names inside a folder durable. */
  syncFolder(path: string): Promise<void>;
  /** Atomic; fails when a folder that is not empty lies at `to`. */
  rename(from: string, to: string): Promise<void>;
  /** Gives a finished file its name; rejects with `EEXIST` when that name is taken, and leaves it alone. */
  publish(from: string, to: string): Promise<void>;
  /** Names in a folder; none when the folder is not there. */
  list(path: string): Promise<string[]>;
  read(path: string): Promise<Uint8Array>;
  /** Opens for reading in parts; `DataError` for what is no file. */
  openToRead(path: string): Promise<ReadableFile>;
  facts(path: string): Promise<{ size_bytes: number; modified_ms: number }>;
  /** Space of the file system under a path, for users without privileges. */
  space(path: string): Promise<{ free_bytes: number; total_bytes: number }>;
  /** Removes a file, or a folder with all in it; no error when it is not there. */
  remove(path: string): Promise<void>;
}

/** The disk. */
export const disk: Files = {
  async makeFolder(path) {
    await mkdir(path, { recursive: true });
  },

  async create(path) {
    return openFile(await open(path, 'w'));
  },

  async append(path) {
    return openFile(await open(path, 'a'));
  },

  async syncFolder(path) {
    const folder = await open(path, 'r');
    try {
      await folder.sync();
    } finally {
      await folder.close();
    }
  },

  async rename(from, to) {
    await rename(from, to);
  },

  async publish(from, to) {
    try {
      await link(from, to);
      await unlink(from);
    } catch (error) {
      if (!['EPERM', 'ENOTSUP', 'EOPNOTSUPP', 'ENOSYS'].includes(codeOf(error))) throw error;
      // File systems without hard links, such as FAT on a memory stick; one process writes here, so asking first is enough.
      if (await isThere(to)) throw Object.assign(new Error(`${to} exists`), { code: 'EEXIST' });
      await rename(from, to);
    }
  },

  async list(path) {
    try {
      return await readdir(path);
    } catch (error) {
      if (isMissing(error)) return [];
      throw error;
    }
  },

  async read(path) {
    // Asked before it is opened: opening a pipe waits for its writer for ever.
    const why = notAFile(await stat(path));
    if (why !== null) throw new Error(`${path}: ${why}`);
    return await readFile(path);
  },

  async openToRead(path) {
    // Asked before it is opened, as above; what lies there is passed over like a damaged file.
    const why = notAFile(await stat(path));
    if (why !== null) throw new DataError(`${path}: ${why}`);
    const file = await open(path, 'r');
    return {
      async size_bytes() {
        return (await file.stat()).size;
      },
      async read(at, length) {
        const bytes = Buffer.allocUnsafe(length);
        let done = 0;
        while (done < length) {
          const { bytesRead } = await file.read(bytes, done, length - done, at + done);
          if (bytesRead === 0) break;
          done += bytesRead;
        }
        return bytes.subarray(0, done);
      },
      async close() {
        await file.close();
      },
    };
  },

  async facts(path) {
    const { size, mtimeMs } = await stat(path);
    return { size_bytes: size, modified_ms: mtimeMs };
  },

  async space(path) {
    const { bavail, blocks, bsize } = await statfs(path);
    return { free_bytes: bavail * bsize, total_bytes: blocks * bsize };
  },

  async remove(path) {
    await rm(path, { recursive: true, force: true });
  },
};

function openFile(file: FileHandle): OpenFile {
  return {
    async write(bytes) {
      let done = 0;
      while (done < bytes.length) done += (await file.write(bytes, done)).bytesWritten;
    },
    async sync() {
      await file.sync();
    },
    async close() {
      await file.close();
    },
  };
}

async function isThere(path: string): Promise<boolean> {
  try {
    await access(path);
    return true;
  } catch (error) {
    if (isMissing(error)) return false;
    throw error;
  }
}

/** True for "no such file or folder". */
export function isMissing(error: unknown): boolean {
  return codeOf(error) === 'ENOENT' || codeOf(error) === 'ENOTDIR';
}

/** The system's error code, such as `ENOSPC`; empty for other errors. */
export function codeOf(error: unknown): string {
  return error instanceof Error && 'code' in error ? String(error.code) : '';
}

/** True when the system refused a call for another reason than that something is not there; looks through causes. */
export function isDiskFault(error: unknown): boolean {
  if (!(error instanceof Error)) return false;
  // The system's codes are bare words; those of Node and zlib have an underscore.
  return /^E[A-Z0-9]+$/.test(codeOf(error)) ? !isMissing(error) : isDiskFault(error.cause);
}

/** No room, a read-only file system, no descriptors or no memory left: the trouble of every file. */
const generalFaults = ['ENOSPC', 'EDQUOT', 'EROFS', 'EMFILE', 'ENFILE', 'ENOMEM'];

/** True when the system refused one file or folder, for a reason that others need not have; looks through causes. */
export function isFaultOfOne(error: unknown): boolean {
  for (let each = error; each instanceof Error; each = each.cause) {
    if (generalFaults.includes(codeOf(each))) return false;
  }
  return isDiskFault(error);
}

/** True when there is no room: the disk, its inodes, or this user's quota. */
export function isFullDisk(error: unknown): boolean {
  return ['ENOSPC', 'EDQUOT'].includes(codeOf(error));
}

/** What an unknown error says. */
export function messageOf(error: unknown): string {
  return error instanceof Error ? error.message : String(error);
}

/** Writes a whole file and waits until it is on the medium. */
export async function writeWhole(
  files: Files,
  path: string,
  pieces: Iterable<Uint8Array> | AsyncIterable<Uint8Array>,
): Promise<void> {
  const file = await files.create(path);
  try {
    for await (const piece of pieces) await file.write(piece);
    await file.sync();
  } finally {
    await file.close();
  }
}
