/** The runs of the recorder before this one, as the disk ring has them: where their samples end, and whether the pump ran then. */

import type { WallAnchor } from '../clock.ts';
import { wallAt_ms } from '../clock.ts';
import type { TripSourceName } from '../store/event-folder.ts';
import type { Files } from '../store/files.ts';
import { lastChunk_s, listRing, type RingFile, readRing } from '../store/ring-read.ts';
import { pumpState, RingReplay, stoppedTooSoon_s } from './ring-replay.ts';

/** So much before the last chunk is read, in s: enough for any line that delivers now and then. */
const look_s = 3;
/** Runs that are looked at, at most: one that is killed again and again at its start leaves many. */
const mostRuns = 50;

export interface FormerRun {
  readonly boot: string;
  /** End of the last durable sample, on the clock of that run in s, and on the wall in ms since 1970. */
  readonly end_s: number;
  readonly end_ms: number;
  /** Null when nothing says whether the pump ran. */
  readonly isPumpOn: boolean | null;
  /** The last stop of the pump in its last seconds, by contact or switch; null when there was none. */
  readonly stop: StopSeen | null;
  /** What the run after it found at first; null for the newest, after which comes the present one. */
  readonly next: FirstSamples | null;
}

/** How a run began. */
export interface FirstSamples {
  readonly first_ms: number;
  readonly isPumpOn: boolean | null;
  /** When the pump stopped too soon after the first sample to be a trip; null when it did not. */
  readonly tooSoon_ms: number | null;
}

/** A trip as detection finds it in the ring. */
export interface StopSeen {
  readonly source: TripSourceName;
  readonly trip_s: number;
  readonly seen_s: number;
  readonly anchor: WallAnchor;
}

/**
 * The newest run but `boot` that left samples, and those before it back to the first that is in `stated`: a run may be killed
 * before it has said anything of the one before. Newest first. Rejects with the system's error.
 */
export async function formerRuns(
  dataFolder: string,
  boot: string,
  stated: ReadonlySet<string>,
  files: Files,
): Promise<readonly FormerRun[]> {
  const others = (await listRing(dataFolder, files)).filter(({ header }) => header.boot !== boot);
  const boots = [...new Set(others.map(({ header }) => header.boot))].reverse().slice(0, mostRuns);
  const found: FormerRun[] = [];
  let next: FirstSamples | null = null;
  for (const each of boots) {
    if (found.length > 0 && stated.has(each)) break;
    const own = others.filter(({ header }) => header.boot === each);
    const end = await endOf(dataFolder, own, files);
    if (end === null) continue;
    found.push({ ...end, next });
    next = await startOf(dataFolder, own, files);
  }
  return found;
}

/** The first samples of a run. */
async function startOf(
  dataFolder: string,
  own: readonly RingFile[],
  files: Files,
): Promise<FirstSamples | null> {
  const first = own[0]?.header;
  if (first === undefined) return null;
  const replay = new RingReplay(first);
  const to_s = first.anchor.time_s + look_s;
  let first_s = Number.POSITIVE_INFINITY;
  let isPumpOn: boolean | null = null;
  const window = { boot: first.boot, from_s: Number.NEGATIVE_INFINITY, to_s };
  for await (const { header, block } of readRing(dataFolder, window, files)) {
    if (JSON.stringify(header.groups) !== JSON.stringify(first.groups)) continue;
    first_s = Math.min(first_s, block.time_s);
    replay.take(block);
    isPumpOn ??= pumpState(replay.detector);
  }
  if (first_s === Number.POSITIVE_INFINITY) return null;
  const tooSoon_s = stoppedTooSoon_s(replay.detector);
  return {
    first_ms: wallAt_ms(first.anchor, first_s),
    isPumpOn,
    tooSoon_ms: tooSoon_s === null ? null : wallAt_ms(first.anchor, tooSoon_s),
  };
}

/** Null when the files of this run hold no sample: it was killed before its first commit. */
async function endOf(
  dataFolder: string,
  own: readonly RingFile[],
  files: Files,
): Promise<Omit<FormerRun, 'next'> | null> {
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
