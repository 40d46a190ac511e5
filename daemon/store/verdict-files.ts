/** verdict-<n>.json beside the trace: revisions are added, a published one is never touched again. */
import { join } from 'node:path';
import type { Verdict } from '../analysis/verdict.ts';
import { DataError } from '../errors.ts';
import { type Files, messageOf, writeWhole } from './files.ts';

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
  const temporary = `${path}.tmp-${process.pid}`;
  await writeWhole(files, temporary, pieces(verdict));
  await files.publish(temporary, path);
  await files.syncFolder(folder);
  return path;
}

async function* pieces(verdict: Verdict): AsyncGenerator<Uint8Array> {
  yield Buffer.from(`${JSON.stringify(verdict, null, 1)}\n`, 'utf8');
}
