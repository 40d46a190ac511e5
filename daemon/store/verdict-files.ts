/** verdict-<n>.json beside the trace: revisions are added, a published one is never touched again. */
import { randomBytes } from 'node:crypto';
import { join } from 'node:path';
import type { LegVerdict, Verdict } from '../analysis/verdict.ts';
import { DataError } from '../errors.ts';
import { eventMonths } from './event-folder.ts';
import { codeOf, type Files, isMissing, messageOf, writeWhole } from './files.ts';

/** Revision numbers in a folder, ascending. */
export async function listRevisions(folder: string, files: Files): Promise<number[]> {
  const found: number[] = [];
  for (const name of await files.list(folder)) {
    // Of nine digits at most: a number beyond 2^53 has no next one. With a leading zero it is another file.
    const match = /^verdict-([1-9]\d{0,8})\.json$/.exec(name);
    if (match) found.push(Number(match[1]));
  }
  return found.sort((a, b) => a - b);
}

/** Name of a revision's file. */
export function verdictName(revision: number): string {
  return `verdict-${revision}.json`;
}

/** Reads one revision; throws `DataError` when it cannot be read or is no verdict. */
export async function readVerdict(folder: string, revision: number, files: Files): Promise<Verdict> {
  const path = join(folder, verdictName(revision));
  let found: Partial<Verdict> | null;
  try {
    found = JSON.parse(Buffer.from(await files.read(path)).toString('utf8'));
  } catch (error) {
    throw new DataError(`${path} cannot be read: ${messageOf(error)}`, { cause: error });
  }
  if (!isVerdict(found) || found.revision !== revision)
    throw new DataError(`${path} is no verdict: it needs "revision": ${revision} and "legs" with "results"`);
  return found;
}

/** Enough to be shown and counted without a fault. */
function isVerdict(found: Partial<Verdict> | null): found is Verdict {
  if (typeof found !== 'object' || !Array.isArray(found?.legs)) return false;
  return found.legs.every((leg: Partial<LegVerdict> | null) => {
    const isJudged = typeof leg?.results?.trip === 'object' && typeof leg.severity === 'object';
    return isJudged && typeof leg.active === 'boolean' && Array.isArray(leg.flags);
  });
}

/**
 * Part of the names of what one writer has not finished yet. The process number alone names no process: a restarted
 * container gives out the same one again.
 */
export function newWriter(): string {
  return `${process.pid}-${randomBytes(6).toString('hex')}`;
}

/**
 * Writes a revision and returns the path; when the promise resolves it survives a power cut. Rejects with `EEXIST`
 * when the revision is already there. `writer` comes from `newWriter`; a writer writes one verdict at a time.
 */
export async function writeVerdict(
  folder: string,
  verdict: Verdict,
  writer: string,
  files: Files,
): Promise<string> {
  const path = join(folder, verdictName(verdict.revision));
  const temporary = `${folder}.${verdictName(verdict.revision)}.tmp-${writer}`;
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

/** Writing a verdict takes milliseconds; what is older than this is under way nowhere, in ms. */
const abandoned_ms = 3_600_000;

/**
 * Removes what was left unfinished of verdicts, and returns how much. `writer` must not be writing meanwhile. What another
 * living process may be writing stays, and so does what cannot be removed: it harms nothing.
 */
export async function sweepUnfinished(dataFolder: string, writer: string, files: Files): Promise<number> {
  const left: string[] = [];
  for (const { folder, names } of await eventMonths(dataFolder, files)) {
    for (const name of names) {
      const other = /\.verdict-\d+\.json\.tmp-((\d+)\b.*)$/.exec(name);
      if (other === null) continue;
      const path = join(folder, name);
      if (other[1] === writer || (await isAbandoned(path, Number(other[2]), files))) left.push(path);
    }
  }
  const removed = await Promise.allSettled(left.map((path) => files.remove(path)));
  return removed.filter(({ status }) => status === 'fulfilled').length;
}

/** Whether the process that wrote this is gone, also when its number was given to another process since. */
async function isAbandoned(path: string, pid: number, files: Files): Promise<boolean> {
  if (!isAlive(pid)) return true;
  try {
    const { modified_ms } = await files.facts(path);
    // A second of play: file systems keep times that coarsely.
    const isBeforeOurStart = pid === process.pid && modified_ms < performance.timeOrigin - 1000;
    return isBeforeOurStart || Date.now() - modified_ms > abandoned_ms;
  } catch (error) {
    // Its writer has just published it.
    if (isMissing(error)) return false;
    throw error;
  }
}

function isAlive(pid: number): boolean {
  try {
    process.kill(pid, 0);
    return true;
  } catch (error) {
    // EPERM: it lives and is somebody else's.
    return codeOf(error) !== 'ESRCH';
  }
}
