/** An event whose samples retention has removed: header and verdicts stay, and a note says why. */
import { join } from 'node:path';
import { type Files, isMissing, writeWhole } from './files.ts';

const noteName = 'trace-removed.json';

export interface RemovedTrace {
  /** Since 1970. */
  readonly at_ms: number;
  /** One sentence. */
  readonly why: string;
}

/** What the note in a folder says; null when the trace has not been removed. */
export async function readRemoved(folder: string, files: Files): Promise<RemovedTrace | null> {
  try {
    return JSON.parse(Buffer.from(await files.read(join(folder, noteName))).toString('utf8'));
  } catch (error) {
    if (isMissing(error)) return null;
    // A torn note is the note of a removal that was interrupted: the trace may still be there.
    if (error instanceof SyntaxError) return null;
    throw error;
  }
}

/** Removes the samples of an event; the note is on the medium before. Returns the bytes that were given back. */
export async function removeTrace(folder: string, note: RemovedTrace, files: Files): Promise<number> {
  const path = join(folder, 'trace.bin');
  const { size_bytes } = await files.facts(path);
  await writeWhole(files, join(folder, noteName), [Buffer.from(`${JSON.stringify(note)}\n`)]);
  await files.syncFolder(folder);
  await files.remove(path);
  return size_bytes;
}
