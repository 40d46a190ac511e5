/**
 * Reads files that a person names: only what is a file, and no more of it than the caller can use. A pipe would make the
 * program wait for ever, /dev/zero would fill the memory.
 */
import { closeSync, constants, fstatSync, openSync, readSync, type Stats, statSync } from 'node:fs';
import { DataError } from './data-error.ts';

/** Bytes taken in one go, where the size is not known beforehand. */
const piece_bytes = 65_536;

/**
 * All bytes of a regular file. Throws `DataError`, whose message does not name the file, for anything else and for more than
 * `most_bytes`; `what` names what is allowed. Throws the system's own error where there is no such file or it may not be read.
 */
export function readRegularFile(path: string, most_bytes: number, what = 'a file'): Buffer {
  const bound = (size_bytes: number) => {
    if (size_bytes > most_bytes)
      throw new DataError(`found ${size_bytes} bytes; a file of at most ${most_bytes / 1e6} MB is allowed`);
  };
  return withRegularFile(path, what, (file, size_bytes) => {
    bound(size_bytes);
    // Files of the kernel say 0 and hold something; any other may have grown.
    const pieces: Buffer[] = [];
    let total_bytes = 0;
    for (let want = Math.max(size_bytes + 1, piece_bytes); ; want = piece_bytes) {
      const piece = Buffer.allocUnsafe(want);
      const got = readSync(file, piece, 0, want, null);
      if (got === 0) break;
      total_bytes += got;
      bound(total_bytes);
      pieces.push(piece.subarray(0, got));
    }
    return pieces.length === 1 ? pieces[0]! : Buffer.concat(pieces, total_bytes);
  });
}

/** The first bytes of a regular file, at most `length`; throws as `readRegularFile` does. */
export function readHead(path: string, length: number): Buffer {
  return withRegularFile(path, 'a file', (file) => {
    const head = Buffer.alloc(length);
    return head.subarray(0, readSync(file, head, 0, length, 0));
  });
}

/** What stands there instead of a file, as a clause; null for a file. */
export function notAFile(facts: Stats, what = 'a file'): string | null {
  if (facts.isFile()) return null;
  if (facts.isDirectory()) return `this is a folder; ${what} is allowed`;
  const kind = facts.isFIFO()
    ? 'a named pipe'
    : facts.isSocket()
      ? 'a socket'
      : facts.isCharacterDevice() || facts.isBlockDevice()
        ? 'a device'
        : 'no file';
  return `this is ${kind}; ${what} is allowed (write what it gives into a file first)`;
}

function withRegularFile<T>(path: string, what: string, read: (file: number, size_bytes: number) => T): T {
  // Asked before it is opened: opening alone can move a device, such as the control lines of a serial port.
  refuse(notAFile(statSync(path), what));
  // Without waiting, should it have become a pipe since.
  const file = openSync(path, constants.O_RDONLY | constants.O_NONBLOCK);
  try {
    const facts = fstatSync(file);
    refuse(notAFile(facts, what));
    return read(file, facts.size);
  } finally {
    closeSync(file);
  }
}

function refuse(why: string | null): void {
  if (why !== null) throw new DataError(why);
}
