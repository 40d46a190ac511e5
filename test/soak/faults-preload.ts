/**
 * Loaded before recorder and server (`--import`): a wall clock that can be set and a disk that can be full or slow. Both
 * follow the control file that the runner writes. The machine's own clock and disk stay as they are. SQLite writes
 * through no call of Node's and is spared.
 */
import { readFileSync } from 'node:fs';
import fs, { type FileHandle } from 'node:fs/promises';
import { syncBuiltinESMExports } from 'node:module';

/** What the runner wants. */
export interface Control {
  /** The wall clock goes wrong by this, in ms. */
  readonly clock_ms: number;
  readonly disk: 'well' | 'full' | 'slow';
}

/** How often the control file is read, in ms. */
const look_ms = 100;
/** Each operation on a slow disk takes up to so much longer, in ms. */
const slowest_ms = 300;

const path = process.env['SOAK_CONTROL'];
if (path === undefined) throw new Error('SOAK_CONTROL names no control file');
const controlPath: string = path;

let control: Control = read();
setInterval(() => {
  control = read();
}, look_ms).unref();

function read(): Control {
  return JSON.parse(readFileSync(controlPath, 'utf8'));
}

const wallNow_ms = Date.now;
Date.now = () => wallNow_ms() + control.clock_ms;

/** Rejects on a full disk, waits on a slow one. `before` is what a full disk still does. */
async function meet(what: string, before: () => Promise<unknown> = async () => undefined): Promise<void> {
  if (control.disk === 'slow') {
    await new Promise((resolve) => setTimeout(resolve, Math.random() * slowest_ms));
  } else if (control.disk === 'full') {
    await before();
    throw Object.assign(new Error(`ENOSPC: no space left on device, ${what}`), { code: 'ENOSPC' });
  }
}

function guardHandle(file: FileHandle): FileHandle {
  const own = file as unknown as Record<string, (...args: unknown[]) => Promise<unknown>>;
  const write = own['write']!.bind(file);
  own['write'] = async (...args) => {
    const [bytes] = args;
    // A disk that fills up takes the first part of what it is given.
    const half = bytes instanceof Uint8Array ? bytes.subarray(0, bytes.length >> 1) : null;
    await meet('write', async () => (half === null ? undefined : write(half)));
    return write(...args);
  };
  for (const name of ['writev', 'appendFile', 'writeFile', 'sync', 'datasync']) {
    const call = own[name]!.bind(file);
    own[name] = async (...args) => {
      await meet(name);
      return call(...args);
    };
  }
  return file;
}

const patched = fs as unknown as Record<string, (...args: unknown[]) => Promise<unknown>>;
const open = patched['open']!;
patched['open'] = async (...args) => {
  const isRead = args[1] === undefined || args[1] === 'r';
  if (isRead) return open(...args);
  await meet('open');
  return guardHandle((await open(...args)) as FileHandle);
};
for (const name of ['mkdir', 'rename', 'link', 'writeFile', 'appendFile']) {
  const call = patched[name]!;
  patched[name] = async (...args) => {
    await meet(name);
    return call(...args);
  };
}
syncBuiltinESMExports();
