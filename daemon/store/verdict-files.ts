/** verdict-<n>.json beside the trace: revisions are added, a published one is never touched again. */
import { join } from 'node:path';
import type { Verdict } from '../analysis/verdict.ts';
import { DataError } from '../errors.ts';
import { eventMonths } from './event-folder.ts';
import { codeOf, type Files, messageOf, writeWhole } from './files.ts';

/** Revision numbers in a folder, ascending. */
export async function listRevisions(folder: string, files: Files): Promise<number[]> {
  const found: number[] = [];
  for (const name of await files.list(folder)) {
    const match = /^verdict-(\d+)\.json$/.exec(name);
    if (match) found.push(Number(match[1]));
  }
  return found.sort((a, b) => a - b);
}

/** Name of a revision's file. */
export function verdictName(revision: number): string {
  return `verdict-${revision}.json`;
}

/** Reads one revision; throws `DataError` when it cannot be read. */
export async function readVerdict(folder: string, revision: number, files: Files): Promise<Verdict> {
  const path = join(folder, verdictName(revision));
  try {
    return JSON.parse(Buffer.from(await files.read(path)).toString('utf8'));
  } catch (error) {
    throw new DataError(`${path} cannot be read: ${messageOf(error)}`, { cause: error });
  }
}

/**
 * Writes a revision and returns the path; when the promise resolves it survives a power cut. Rejects with `EEXIST`
 * when the revision is already there.
 */
export async function writeVerdict(folder: string, verdict: Verdict, files: Files): Promise<string> {
  const path = join(folder, verdictName(verdict.revision));
  const temporary = `${folder}.${verdictName(verdict.revision)}.tmp-${process.pid}`;
  await writeWhole(files, temporary, [Buffer.from(`${JSON.stringify(verdict, null, 1)}\n`)]);
  try {
    await files.publish(temporary, path);
  } catch (error) {
    if (codeOf(error) === 'EEXIST') await files.remove(temporary);
    throw error;
  }
  await files.syncFolder(folder);
  return path;
}

/**
 * Removes what processes that were killed left of verdicts, and returns how much. What a living process writes stays, and so
 * does what cannot be removed: it harms nothing.
 */
export async function sweepUnfinished(dataFolder: string, files: Files): Promise<number> {
  const left: string[] = [];
  for (const { folder, names } of await eventMonths(dataFolder, files)) {
    for (const name of names) {
      const match = /\.verdict-\d+\.json\.tmp-(\d+)$/.exec(name);
      if (match && !isAlive(Number(match[1]))) left.push(join(folder, name));
    }
  }
  const removed = await Promise.allSettled(left.map((path) => files.remove(path)));
  return removed.filter(({ status }) => status === 'fulfilled').length;
}

/** Our own is never under way here: verdicts are written one after the other. */
function isAlive(pid: number): boolean {
  if (pid === process.pid) return false;
  try {
    process.kill(pid, 0);
    return true;
  } catch (error) {
    // EPERM: it lives and is somebody else's.
    return codeOf(error) !== 'ESRCH';
  }
}
