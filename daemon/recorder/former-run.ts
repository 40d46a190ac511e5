/** The run of the recorder before this one, as the disk ring has it: where its samples end, and whether the pump ran then. */

import type { WallAnchor } from '../clock.ts';
import { wallAt_ms } from '../clock.ts';
import type { TripSourceName } from '../store/event-folder.ts';
import type { Files } from '../store/files.ts';
import { lastChunk_s, listRing, type RingFile, readRing } from '../store/ring-read.ts';
import { pumpState, RingReplay } from './ring-replay.ts';

/** So much before the last chunk is read, in s: enough for any line that delivers now and then. */
const look_s = 3;

export interface FormerRun {
  readonly boot: string;
  /** End of the last durable sample, on the clock of that run in s, and on the wall in ms since 1970. */
  readonly end_s: number;
  readonly end_ms: number;
  /** Null when nothing says whether the pump ran. */
  readonly isPumpOn: boolean | null;
  /** The last stop of the pump in its last seconds, by contact or switch; null when there was none. */
  readonly stop: StopSeen | null;
}

/** A trip as detection finds it in the ring. */
export interface StopSeen {
  readonly source: TripSourceName;
  readonly trip_s: number;
  readonly seen_s: number;
  readonly anchor: WallAnchor;
}

/** The newest run but `boot` that left samples; null when the ring has none. Rejects with the system's error. */
export async function formerRun(dataFolder: string, boot: string, files: Files): Promise<FormerRun | null> {
  const others = (await listRing(dataFolder, files)).filter(({ header }) => header.boot !== boot);
  const boots = [...new Set(others.map(({ header }) => header.boot))].reverse();
  for (const each of boots) {
    const own = others.filter(({ header }) => header.boot === each);
    const found = await endOf(dataFolder, own, files);
    if (found !== null) return found;
  }
  return null;
}

/** Null when the files of this run hold no sample: it was killed before its first commit. */
async function endOf(dataFolder: string, own: readonly RingFile[], files: Files): Promise<FormerRun | null> {
  const starts_s: number[] = [];
  // The newest segment may have nothing but its head.
  for (const file of own.slice(-3))
    starts_s.push((await lastChunk_s(file, files)) ?? Number.NEGATIVE_INFINITY);
  const chunk_s = Math.max(...starts_s);
  const last = own.at(-1)?.header;
  if (last === undefined || chunk_s === Number.NEGATIVE_INFINITY) return null;
  const window = { boot: last.boot, from_s: chunk_s - look_s, to_s: Number.POSITIVE_INFINITY };
  let stop: Omit<StopSeen, 'anchor'> | null = null;
  const replay = new RingReplay(last, (source, trip_s, seen_s) => {
    // A pressure alone means little without the hours before it.
    if (source === 'contact' || source === 'pressure-switch') stop = { source, trip_s, seen_s };
  });
  let end_s = Number.NEGATIVE_INFINITY;
  let anchor = last.anchor;
  for await (const { header, block } of readRing(dataFolder, window, files)) {
    if (JSON.stringify(header.groups) !== JSON.stringify(last.groups)) continue;
    end_s = Math.max(end_s, replay.take(block));
    anchor = header.anchor;
  }
  if (end_s === Number.NEGATIVE_INFINITY) return null;
  const end_ms = wallAt_ms(anchor, end_s);
  const seen = stop as Omit<StopSeen, 'anchor'> | null;
  return {
    boot: last.boot,
    end_s,
    end_ms,
    isPumpOn: pumpState(replay.detector),
    stop: seen === null ? null : { ...seen, anchor },
  };
}
