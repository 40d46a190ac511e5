/**
 * One server a data folder. The lock is a file with the number and start time of its server, which holds it open for as long as
 * it runs. A server whose recorder was killed while it was stopped (SIGSTOP, a debugger, a machine out of memory) never saw its
 * channel close; it keeps port and databases. The next server of the folder ends it.
 */
import { mkdirSync, readFileSync, renameSync, rmSync, statSync, writeFileSync } from 'node:fs';
import { type FileHandle, open, readdir } from 'node:fs/promises';
import { join } from 'node:path';
import { setTimeout as delay } from 'node:timers/promises';
import { codeOf, messageOf } from '../store/files.ts';

/** A server asked to end gets so long before it is killed, and then so long to be gone, in ms. */
const patience_ms = 3_000;
const look_ms = 25;

export interface ServerLock {
  /** The lock is the next server's; nothing is ended by it any more. */
  release(): Promise<void>;
}

interface Holder {
  readonly pid: number;
  /** Field 22 of /proc/PID/stat: tells a process from a later one of the same number. */
  readonly started: string;
}

/**
 * Ends an orphaned server of this folder and takes its lock. Resolves in any case: a lock that cannot be written or a server that
 * cannot be ended is logged, and costs at most the port. Only the server of the folder's one recorder may call it.
 */
export async function takeServerLock(dataFolder: string, log: (text: string) => void): Promise<ServerLock> {
  const path = join(dataFolder, 'server.lock');
  try {
    const holder = readHolder(path);
    if (holder !== null && holder.pid !== process.pid) await endOrphan(holder, path, log);
    return await write(path);
  } catch (error) {
    log(`no lock on ${dataFolder}: ${messageOf(error)}`);
    return { release: async () => undefined };
  }
}

async function write(path: string): Promise<ServerLock> {
  const own: Holder = { pid: process.pid, started: startOf(process.pid) ?? '' };
  const fresh = `${path}.new`;
  mkdirSync(join(path, '..'), { recursive: true });
  writeFileSync(fresh, `${JSON.stringify(own)}\n`);
  renameSync(fresh, path);
  const file: FileHandle = await open(path, 'r');
  return {
    async release() {
      if (readHolder(path)?.pid === process.pid) rmSync(path, { force: true });
      await file.close();
    },
  };
}

function readHolder(path: string): Holder | null {
  try {
    const { pid, started } = JSON.parse(readFileSync(path, 'utf8')) as Partial<Holder>;
    return Number.isInteger(pid) && pid! > 1 && typeof started === 'string' ? { pid: pid!, started } : null;
  } catch {
    // None, or not ours: nobody is ended on the word of a file that cannot be read.
    return null;
  }
}

async function endOrphan(holder: Holder, path: string, log: (text: string) => void): Promise<void> {
  if (!(await isServerOf(holder, path))) return;
  const { pid } = holder;
  log(`an orphaned server of this folder (process ${pid}) is ended`);
  signal(pid, 'SIGTERM');
  // A stopped one can end in order only when it runs.
  signal(pid, 'SIGCONT');
  if (await isGone(holder)) return;
  signal(pid, 'SIGKILL');
  if (!(await isGone(holder))) log(`the orphaned server (process ${pid}) does not end`);
}

/** It may have ended by itself a moment ago. */
function signal(pid: number, name: 'SIGTERM' | 'SIGCONT' | 'SIGKILL'): void {
  try {
    process.kill(pid, name);
  } catch (error) {
    if (codeOf(error) !== 'ESRCH') throw error;
  }
}

/** Proof: the very process that wrote the lock, running this program, with the lock of this folder open. */
async function isServerOf(holder: Holder, path: string): Promise<boolean> {
  if (startOf(holder.pid) !== holder.started) return false;
  const words = text(`/proc/${holder.pid}/cmdline`)?.split('\0') ?? [];
  if (!words.some((word) => word.endsWith('/daemon/server/main.ts'))) return false;
  const lock = statSync(path);
  const folder = `/proc/${holder.pid}/fd`;
  try {
    for (const name of await readdir(folder)) {
      const facts = statSync(join(folder, name), { throwIfNoEntry: false });
      if (facts?.ino === lock.ino && facts.dev === lock.dev) return true;
    }
  } catch {
    // Another user's process: not ours to end.
  }
  return false;
}

async function isGone(holder: Holder): Promise<boolean> {
  for (let waited_ms = 0; waited_ms < patience_ms; waited_ms += look_ms) {
    if (startOf(holder.pid) !== holder.started) return true;
    await delay(look_ms);
  }
  return false;
}

/** Null when there is no such process, or it has ended and only waits to be collected. */
function startOf(pid: number): string | null {
  const stat = text(`/proc/${pid}/stat`);
  const fields = stat?.slice(stat.lastIndexOf(')') + 2).split(' ');
  return fields === undefined || fields[0] === 'Z' ? null : (fields[19] ?? null);
}

function text(path: string): string | null {
  try {
    return readFileSync(path, 'utf8');
  } catch {
    return null;
  }
}
