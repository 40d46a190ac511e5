/** What is removed when it is too old, too much, or space is low: the ring first, then accepted traces, never a verdict. */
import { join } from 'node:path';
import type { DiskConfig } from '../../config/disk.ts';
import type { Files } from './files.ts';
import { isSegment, isTail, ringFolder } from './ring-format.ts';

/** A file younger than this may still be written to, in ms. */
const young_ms = 120_000;

export interface DiskSpace {
  readonly free_bytes: number;
  readonly total_bytes: number;
}

/** Free space below this is low. */
export function lowSpace_bytes(disk: DiskConfig, { total_bytes }: DiskSpace): number {
  return disk.lowSpace_bytes ?? Math.min(2e9, 0.05 * total_bytes);
}

/** The ring may take so much. */
export function ringQuota_bytes(disk: DiskConfig, { total_bytes }: DiskSpace): number {
  return disk.ring.size_bytes ?? Math.min(20e9, 0.2 * total_bytes);
}

/**
 * Removes the oldest files of the ring until age, size and free space are right; how many. The files that are being written
 * stay. What is removed counts as free at once: a file system may give it back later.
 */
export async function shortenRing(
  dataFolder: string,
  disk: DiskConfig,
  space: DiskSpace,
  now_ms: number,
  files: Files,
): Promise<{ removed: number; free_bytes: number }> {
  const folder = ringFolder(dataFolder);
  const found: { path: string; size_bytes: number; modified_ms: number }[] = [];
  for (const name of await files.list(folder)) {
    if (isSegment(name) || isTail(name))
      found.push({ path: join(folder, name), ...(await files.facts(join(folder, name))) });
  }
  found.sort((a, b) => a.modified_ms - b.modified_ms);
  let total_bytes = found.reduce((sum, file) => sum + file.size_bytes, 0);
  let { free_bytes } = space;
  let removed = 0;
  for (const { path, size_bytes, modified_ms } of found) {
    const isTooOld = now_ms - modified_ms > disk.ring.age_s * 1000;
    const isTooMuch = total_bytes > ringQuota_bytes(disk, space) || free_bytes < lowSpace_bytes(disk, space);
    if (!isTooOld && !isTooMuch) break;
    // A wall clock that was set back makes files of the future; the newest pair is spared either way.
    if (now_ms - modified_ms < young_ms || found.length - removed <= 2) break;
    await files.remove(path);
    total_bytes -= size_bytes;
    free_bytes += size_bytes;
    removed++;
  }
  return { removed, free_bytes };
}

/** Removes unfinished events that were set aside too long ago; how many. */
export async function removeOldTorn(
  dataFolder: string,
  disk: DiskConfig,
  now_ms: number,
  files: Files,
): Promise<number> {
  const folder = join(dataFolder, 'torn');
  let removed = 0;
  for (const name of await files.list(folder)) {
    const { modified_ms } = await files.facts(join(folder, name));
    if (now_ms - modified_ms <= disk.torn.age_s * 1000) continue;
    await files.remove(join(folder, name));
    removed++;
  }
  return removed;
}
