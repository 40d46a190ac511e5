/**
 * Which traces may go when space is low or their quota is used up. Routine is an event with a verdict and without a flag
 * or a severe class in any leg; it counts as accepted once it is older than `disk.routineTraces.age`. Windows that a person
 * kept are never routine. Verdicts, headers and the traces of all other events stay whatever happens.
 */
import { join } from 'node:path';
import type { DiskConfig } from '../../config/disk.ts';
import type { EventRow } from '../web/wire.ts';
import { eventFolder } from './event-folder.ts';
import { type Files, isMissing } from './files.ts';
import { removeTrace } from './removed-trace.ts';
import { type DiskSpace, lowSpace_bytes } from './retention.ts';

/** Whether nothing about this event asks for its samples to be kept. */
export function isRoutine({ verdict, source }: EventRow): boolean {
  if (verdict === null || source === 'window') return false;
  const active = verdict.legs.filter((leg) => leg.active);
  return (
    active.length > 0 && active.every((leg) => leg.flags.length === 0 && leg.severity.class !== 'severe')
  );
}

/**
 * Removes traces of accepted events, oldest first, while there is need; the ids, also of those whose trace was gone already.
 * `rows` come oldest first.
 */
export async function removeRoutineTraces(
  dataFolder: string,
  rows: readonly EventRow[],
  disk: DiskConfig,
  space: DiskSpace,
  now_ms: number,
  files: Files,
): Promise<string[]> {
  const removed: string[] = [];
  const accepted: { id: string; folder: string; size_bytes: number }[] = [];
  for (const row of rows) {
    if (now_ms - row.wall_ms <= disk.routineTraces.age_s * 1000 || !isRoutine(row)) continue;
    const folder = eventFolder(dataFolder, row.id);
    const size_bytes = await traceSize_bytes(folder, files);
    // Whoever removed it was killed before it could tell.
    if (size_bytes === null) removed.push(row.id);
    else accepted.push({ id: row.id, folder, size_bytes });
  }
  let held_bytes = accepted.reduce((sum, each) => sum + each.size_bytes, 0);
  let { free_bytes } = space;
  for (const { id, folder, size_bytes } of accepted) {
    const isTooMuch = disk.routineTraces.size_bytes !== null && held_bytes > disk.routineTraces.size_bytes;
    const isLow = free_bytes < lowSpace_bytes(disk, space);
    if (!isTooMuch && !isLow) break;
    const why = isLow ? 'Space on the disk was low.' : 'The quota of routine traces was used up.';
    await removeTrace(folder, { at_ms: now_ms, why }, files);
    held_bytes -= size_bytes;
    free_bytes += size_bytes;
    removed.push(id);
  }
  return removed;
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
