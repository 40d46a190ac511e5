/**
 * Which samples may go when space is low or a quota is used up. Verdicts, headers and all other traces stay whatever happens.
 *
 * Spare: a window that a person kept and that is no trip of its own. Its quota, or low space, takes the oldest first.
 * Routine: an event with a verdict and without a flag or a severe class in any leg; it counts as accepted once it is older
 * than `disk.routineTraces.age`.
 */
import { join } from 'node:path';
import type { DiskConfig } from '../../config/disk.ts';
import { eventFolder } from './event-folder.ts';
import type { EventRow } from './event-index.ts';
import { type Files, isMissing } from './files.ts';
import { removeTrace } from './removed-trace.ts';
import { type DiskSpace, lowSpace_bytes } from './retention.ts';

/** Whether nothing about this event asks for its samples to be kept. */
export function isRoutine(row: EventRow): boolean {
  if (row.verdict === null || isSpare(row)) return false;
  const active = row.verdict.legs.filter((leg) => leg.active);
  return (
    active.length > 0 && active.every((leg) => leg.flags.length === 0 && leg.severity.class !== 'severe')
  );
}

/** Whether a person kept these samples of a trip that has an event of its own, or of no trip at all. */
export function isSpare({ sameTripAs, source, verdict }: EventRow): boolean {
  if (source !== 'window') return false;
  if (sameTripAs !== undefined || verdict === null) return true;
  return !verdict.legs.some((leg) => leg.active && leg.results.trip.value !== null);
}

/** The samples of kept windows may take so much. */
export function keptQuota_bytes(disk: DiskConfig, { total_bytes }: DiskSpace): number {
  return disk.keptWindows.size_bytes ?? Math.min(5e9, 0.05 * total_bytes);
}

export interface TraceRemoval {
  readonly dataFolder: string;
  readonly disk: DiskConfig;
  readonly now_ms: number;
  readonly files: Files;
}

/**
 * Removes samples while there is need, those of spare windows before those of accepted events, oldest first; the ids, also of
 * those whose trace was gone already. `rows` come oldest first.
 */
export async function removeTraces(
  removal: TraceRemoval,
  rows: readonly EventRow[],
  space: DiskSpace,
): Promise<string[]> {
  const { disk } = removal;
  const isOlder = (row: EventRow, age_s: number) => removal.now_ms - row.wall_ms > age_s * 1000;
  const lowest_bytes = lowSpace_bytes(disk, space);
  const kept = await removeOldest(
    removal,
    rows.filter((row) => isSpare(row) && isOlder(row, disk.keptWindows.age_s)),
    { free_bytes: space.free_bytes, lowest_bytes, quota_bytes: keptQuota_bytes(disk, space) },
    'The quota of kept windows was used up.',
  );
  const routine = await removeOldest(
    removal,
    rows.filter((row) => isRoutine(row) && isOlder(row, disk.routineTraces.age_s)),
    { free_bytes: kept.free_bytes, lowest_bytes, quota_bytes: disk.routineTraces.size_bytes },
    'The quota of routine traces was used up.',
  );
  return [...kept.removed, ...routine.removed];
}

interface Bounds {
  readonly free_bytes: number;
  readonly lowest_bytes: number;
  /** Null for none. */
  readonly quota_bytes: number | null;
}

async function removeOldest(
  { dataFolder, files, now_ms }: TraceRemoval,
  rows: readonly EventRow[],
  { lowest_bytes, quota_bytes, ...bounds }: Bounds,
  whyQuota: string,
): Promise<{ removed: string[]; free_bytes: number }> {
  const removed: string[] = [];
  const there: { id: string; folder: string; size_bytes: number }[] = [];
  for (const { id } of rows) {
    const folder = eventFolder(dataFolder, id);
    const size_bytes = await traceSize_bytes(folder, files);
    // Whoever removed it was killed before it could tell.
    if (size_bytes === null) removed.push(id);
    else there.push({ id, folder, size_bytes });
  }
  let held_bytes = there.reduce((sum, each) => sum + each.size_bytes, 0);
  let { free_bytes } = bounds;
  for (const { id, folder, size_bytes } of there) {
    const isTooMuch = quota_bytes !== null && held_bytes > quota_bytes;
    const isLow = free_bytes < lowest_bytes;
    if (!isTooMuch && !isLow) break;
    await removeTrace(folder, { at_ms: now_ms, why: isLow ? 'Space on the disk was low.' : whyQuota }, files);
    held_bytes -= size_bytes;
    free_bytes += size_bytes;
    removed.push(id);
  }
  return { removed, free_bytes };
}

/** Null when the trace is gone already. */
async function traceSize_bytes(folder: string, files: Files): Promise<number | null> {
  try {
    return (await files.facts(join(folder, 'trace.bin'))).size_bytes;
  } catch (error) {
    if (isMissing(error)) return null;
    throw error;
  }
}
