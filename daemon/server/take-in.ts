/** One folder to one row of the index: reads the event, judges it where no verdict is there, and indexes what came of it. */

import type { EventRecord } from '../analysis/record.ts';
import type { Verdict } from '../analysis/verdict.ts';
import { wallAt_ms } from '../clock.ts';
import {
  type EventHeader,
  eventFolder,
  isEventId,
  readEventHeader,
  wallOfId_ms,
  withoutPlace,
} from '../store/event-folder.ts';
import type { EventIndex, EventRow, RunSpan, WaveSpeedRow } from '../store/event-index.ts';
import { codeOf, type Files, isDiskFault, isFaultOfOne, isMissing, messageOf } from '../store/files.ts';
import { type RemovedTrace, readRemoved } from '../store/removed-trace.ts';
import { shapeOf } from '../store/slices.ts';
import { listRevisions, newWriter, readVerdict, verdictName, writeVerdict } from '../store/verdict-files.ts';
import { waveSpeedRows } from '../trends/wave-speed-chart.ts';
import type { LoadedEvents } from './loaded-events.ts';

/** What an analysis is told besides the record; copied into the verdict. */
export interface AnalysisMeta {
  readonly revision: number;
  readonly software: string;
  readonly reason: string;
}

export type Analyse = (record: EventRecord, meta: AnalysisMeta) => Verdict;

/** An event that is in the index; when it has a verdict, that is durable. */
export interface Ingested {
  readonly row: EventRow;
  readonly folder: string;
  /** Name of the verdict's file in the folder; null when the analysis failed. */
  readonly file: string | null;
  /** Why there is no verdict, or what else is wrong with the folder; null when all is well. */
  readonly trouble: string | null;
  /** Other rows that are linked to another trip than before, without velocity histories; absent when there are none. */
  readonly alsoChanged?: readonly EventRow[];
  /** False when the index had this event with a verdict before and no revision was added. */
  readonly isNew: boolean;
}

export interface TakeInOptions {
  readonly dataFolder: string;
  /** Written into each verdict. */
  readonly software: string;
  readonly analyse: Analyse;
  readonly files: Files;
  readonly index: EventIndex;
  readonly loaded: LoadedEvents;
}

/** Small picture of a row: this much before and after the trip, in slices. */
const shape = { before_s: 0.5, after_s: 1.5, slices: 48 } as const;

/** What a folder holds; `trouble` says what is wrong with it. */
interface Found {
  header: EventHeader | null;
  removed: RemovedTrace | null;
  verdict: Verdict | null;
  picture: EventRow['shape'];
  waveSpeeds: readonly WaveSpeedRow[];
  trouble: string | null;
  /** A revision was written just now. */
  isAdded: boolean;
}

/** What is asked of a folder. */
interface Wanted {
  readonly id: string;
  readonly folder: string;
  readonly reason: string | null;
  /** The index has no verdict of it. */
  readonly isUnknown: boolean;
  /** One of its files has been refused again and again: no reason to wait with the rest. */
  readonly isLasting: boolean;
}

/** Calls must come one after the other. */
export class TakeIn {
  /** In the names of the verdicts that are under way here. */
  readonly writer = newWriter();
  readonly #options: TakeInOptions;

  constructor(options: TakeInOptions) {
    this.#options = options;
  }

  /**
   * Writes the next free revision when `reason` is given, or when no revision can be read; then indexes the newest. Null
   * when there is no such folder. Rejects with the system's error when the disk or the index refuses; where one file of the
   * event has been refused again and again (`isLasting`), that is the event's trouble instead.
   */
  async takeIn(id: string, reason: string | null, isLasting = false): Promise<Ingested | null> {
    if (!(await this.#isWhole(id, isLasting))) return null;
    const { dataFolder, index } = this.#options;
    const folder = eventFolder(dataFolder, id);
    const isUnknown = (index.get(id)?.row.verdict ?? null) === null;
    const found = await this.#find({ id, folder, reason, isUnknown, isLasting });
    const { header, removed, verdict } = found;
    const trouble = found.trouble === null ? null : withoutPlace(found.trouble, folder);
    const span = header === null ? null : spanOf(header, verdict);
    const own: EventRow = {
      id,
      wall_ms: header === null ? wallOfId_ms(id) : wallOf_ms(header, span?.trip_s ?? null),
      source: header?.trip.source ?? 'unknown',
      closedBecause: header?.closedBecause ?? 'unknown',
      ...(trouble === null ? {} : { trouble }),
      verdict,
      shape: found.picture,
      ...(removed === null ? {} : { traceRemoved: removed }),
    };
    const relinked = index.put({ row: own, trouble, span, waveSpeeds: found.waveSpeeds });
    const indexed = index.get(id)?.row;
    const alsoChanged = relinked.filter((each) => each !== id).flatMap((each) => index.get(each)?.row ?? []);
    return {
      // As indexed, for its link and the time of its trip, with the whole verdict.
      row: { ...(indexed ?? own), verdict },
      folder,
      file: verdict === null ? null : verdictName(verdict.revision),
      trouble,
      ...(alsoChanged.length === 0 ? {} : { alsoChanged }),
      isNew: isUnknown || found.isAdded,
    };
  }

  /** Null while the trace is there, whatever a note says. */
  async removedOf(folder: string): Promise<RemovedTrace | null> {
    const { files } = this.#options;
    const note = await readRemoved(folder, files);
    if (note === null) return null;
    return (await files.list(folder)).includes('trace.bin') ? null : note;
  }

  async #isWhole(id: string, isLasting: boolean): Promise<boolean> {
    if (!isEventId(id)) return false;
    const { dataFolder, files } = this.#options;
    try {
      await files.facts(eventFolder(dataFolder, id));
      return true;
    } catch (error) {
      if (isMissing(error)) return false;
      // Something is there; what is wrong with it shows when its files are read.
      if (isLasting && isFaultOfOne(error)) return true;
      throw error;
    }
  }

  async #find({ id, folder, reason, isUnknown, isLasting }: Wanted): Promise<Found> {
    const { files, loaded } = this.#options;
    const found: Found = {
      header: null,
      removed: null,
      verdict: null,
      picture: null,
      waveSpeeds: [],
      trouble: null,
      isAdded: false,
    };
    try {
      found.header = await readEventHeader(folder, files);
      found.removed = await this.removedOf(folder);
      const { newest, last } = await this.#newestReadable(folder, isLasting || reason !== null);
      const isWanted = reason !== null || newest?.revision !== last;
      // Whoever wrote it may have died, or failed, before its name was made to last.
      if (isUnknown && newest !== null) await files.syncFolder(folder);
      found.verdict = newest;
      if (isWanted && (found.removed === null || newest === null)) {
        const { record } = await loaded.load(id);
        const why = reason ?? (last === 0 ? 'event closed' : `revision ${last} cannot be read`);
        found.verdict = await this.#judge(folder, record, last + 1, why);
        found.isAdded = true;
      }
      const { header, verdict } = found;
      if (header.isAnchorFromId)
        found.trouble = 'event.json holds no wall time; the time of the trip is that of its id.';
      if (verdict !== null) {
        const wall_ms = wallOf_ms(header, spanOf(header, verdict).trip_s);
        found.waveSpeeds = waveSpeedRows(header.config, verdict, wall_ms);
      }
      if (verdict !== null && found.removed === null)
        found.picture = pictureOf((await loaded.load(id)).record, verdict, header);
    } catch (error) {
      // A disk that fails is to be tried again at once; a record that cannot be read or judged is shown and tried again later.
      if (isDiskFault(error) && !(isLasting && isFaultOfOne(error))) throw error;
      found.trouble = messageOf(error);
    }
    return found;
  }

  /** The newest revision that can be read, and the number of the newest that is there (0 for none). */
  async #newestReadable(
    folder: string,
    isLasting: boolean,
  ): Promise<{ newest: Verdict | null; last: number }> {
    const { files } = this.#options;
    const revisions = await listRevisions(folder, files);
    for (const revision of revisions.toReversed()) {
      try {
        return { newest: await readVerdict(folder, revision, files), last: revisions.at(-1)! };
      } catch (error) {
        // Torn, edited, or refused for long: an older one stands until the event is judged again.
        if (isDiskFault(error) && !(isLasting && isFaultOfOne(error))) throw error;
      }
    }
    return { newest: null, last: revisions.at(-1) ?? 0 };
  }

  async #judge(folder: string, record: EventRecord, from: number, reason: string): Promise<Verdict> {
    const { analyse, files, software } = this.#options;
    for (let revision = from; ; revision++) {
      const verdict = analyse(record, { revision, software, reason });
      try {
        await writeVerdict(folder, verdict, this.writer, files);
        return verdict;
      } catch (error) {
        // Somebody else, such as the command line, published this number meanwhile: theirs stays.
        if (codeOf(error) !== 'EEXIST') throw error;
      }
    }
  }
}

/** Trip instant on the record's clock: the verdict's where it has one, else the recorder's. */
export function tripOf_s(verdict: Verdict | null, header: EventHeader): number {
  return judgedTrip_s(verdict) ?? header.trip.time_s;
}

function judgedTrip_s(verdict: Verdict | null): number | null {
  for (const leg of verdict?.legs ?? []) {
    if (leg.active && leg.results.trip.value !== null) return leg.results.trip.value;
  }
  return null;
}

/** The instant that the header of a kept window names is its middle, and no trip. */
function spanOf({ boot, kept_ms, trip, window }: EventHeader, verdict: Verdict | null): RunSpan {
  const isWindow = trip.source === 'window';
  const trip_s = judgedTrip_s(verdict) ?? (isWindow ? null : trip.time_s);
  return { boot: String(boot), isWindow, ...window, trip_s, kept_ms: kept_ms ?? 0 };
}

/** Wall time of the trip, in ms since 1970: as declared, of a kept window as found in it. */
function wallOf_ms({ anchor, trip }: EventHeader, trip_s: number | null): number {
  return wallAt_ms(anchor, trip.source === 'window' ? (trip_s ?? trip.time_s) : trip.time_s);
}

/** Outlet pressure of the first active leg round the trip. */
function pictureOf(record: EventRecord, verdict: Verdict, header: EventHeader): EventRow['shape'] {
  const active = verdict.legs.find((leg) => leg.active)?.leg;
  const leg = record.legs.find((each) => each.leg.id === active) ?? record.legs[0];
  if (leg === undefined) return null;
  const trip_s = tripOf_s(verdict, header);
  const minmax_Pa = shapeOf(leg.outlet, trip_s - shape.before_s, trip_s + shape.after_s, shape.slices);
  return minmax_Pa === null ? null : { from_s: -shape.before_s, to_s: shape.after_s, minmax_Pa };
}
