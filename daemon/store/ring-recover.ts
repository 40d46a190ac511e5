/** What a killed recorder left of the ring, made sound again. */
import { basename, dirname, join } from 'node:path';
import { disk, type Files } from './files.ts';
import { isTail, nextRingName, ringFolder } from './ring-format.ts';
import { listRing, tornBytes } from './ring-read.ts';

/** Plural counters for the status of the recorder. */
export interface RingRecovery {
  /** Tails of an earlier run that were kept as segments. */
  readonly ringTailsRecovered: number;
  /** Bytes at the ends of files that were no whole chunk. */
  readonly ringBytesTorn: number;
}

/**
 * Makes each left-over tail a segment of its own: what it shares with its segment the reader drops. Only to be called
 * while no recorder writes into this data folder.
 */
export async function recoverRing(dataFolder: string, files: Files = disk): Promise<RingRecovery> {
  const folder = ringFolder(dataFolder);
  const names = await files.list(folder);
  const tails = names.filter(isTail);
  if (tails.length === 0) return { ringTailsRecovered: 0, ringBytesTorn: 0 };
  const listed = await listRing(dataFolder, files);
  let recovered = 0;
  let torn = 0;
  for (const tail of tails) {
    const stem = tail.replace(/tail$/, '');
    for (const file of listed) {
      if (basename(file.path).startsWith(stem)) torn += await tornBytes(file, files);
    }
    const own = listed.find((file) => basename(file.path) === tail);
    if (own === undefined || own.size_bytes === own.start) {
      // It says nothing: the head alone, or not even that.
      await files.remove(join(folder, tail));
      continue;
    }
    const name = `${nextRingName(stem.slice(0, 12), names)}.seg`;
    await files.rename(own.path, join(dirname(own.path), name));
    names.push(name);
    recovered++;
  }
  await files.syncFolder(folder);
  return { ringTailsRecovered: recovered, ringBytesTorn: torn };
}
