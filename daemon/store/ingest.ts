/**
 * From a closed folder to a verdict and a row of the index; the server's side of the store. A folder is the only input,
 * so a live event, a replay and a re-analysis take the same way, and a server that was away catches up by itself.
 */
import { stat } from 'node:fs/promises';
import type { DiskConfig } from '../../config/disk.ts';
import type { EventRecord } from '../analysis/record.ts';
import type { Verdict } from '../analysis/verdict.ts';
import { wallAt_ms } from '../recorder/wall-anchor.ts';
import { type ExportWindow, exportEvent } from '../report/export-event.ts';
import type { Exported } from '../report/exported.ts';
import type { TraceQuery } from '../web/event-library.ts';
import { rigView } from '../web/views.ts';
import type { EventRow, EventView, TraceView, WaveSpeedView } from '../web/wire.ts';
import {
  type EventHeader,
  eventFolder,
  isEventId,
  listEvents,
  readEventHeader,
  wallOfId_ms,
} from './event-folder.ts';
import { codeOf, disk, type Files, isDiskFault, isMissing, messageOf } from './files.ts';
import { EventIndex } from './index.ts';
import { type LoadedEvent, loadEvent } from './load-record.ts';
import { type RemovedTrace, readRemoved } from './removed-trace.ts';
import { lowSpace_bytes } from './retention.ts';
import { shapeOf, sliceSeries } from './slices.ts';
import { removeRoutineTraces } from './trace-keeper.ts';
import { listRevisions, readVerdict, sweepUnfinished, verdictName, writeVerdict } from './verdict-files.ts';
import { type WaveSpeedRow, waveSpeedChart, waveSpeedRows } from './wave-speed-chart.ts';

/** What an analysis is told besides the record; copied into the verdict. */
export interface AnalysisMeta {
  readonly revision: number;
  readonly software: string;
  readonly reason: string;
}

export type Analyse = (record: EventRecord, meta: AnalysisMeta) => Verdict;

/** A verdict that is durable: its file is written and its row is in the index. */
export interface Ingested {
  readonly row: EventRow;
  readonly folder: string;
  /** Name of the verdict's file in the folder; null when the analysis failed. */
  readonly file: string | null;
  /** Why there is no verdict; null when there is one. */
  readonly trouble: string | null;
  /** False when this event had been taken in before, as far as the index knows. */
  readonly isNew: boolean;
}

export interface IngestOptions {
  readonly dataFolder: string;
  /** Written into each verdict. */
  readonly software: string;
  readonly analyse: Analyse;
  readonly files?: Files;
}

/**
 * Calls that write are queued and run one after the other, a scan event by event. Reads return null for an unknown id and throw
 * `DataError` for a folder that cannot be read.
 */
export interface Ingest {
  /** Where a damaged index was set aside; null when there was none. The next scan makes it anew. */
  readonly setAside: string | null;
  /** Takes in one closed event; the newest revision when it had been taken in before. Null when no such folder is there. */
  ingest(id: string): Promise<Ingested | null>;
  /**
   * Takes in every whole folder that the index does not know. Cheap when there is none: to be called at start and now and
   * then. Other calls have their turn between two folders. Folders that the system refuses are passed over; the first such
   * error is thrown at the end.
   */
  scan(onEach?: (ingested: Ingested) => void): Promise<void>;
  /** A further revision of the verdict, for the stated reason. */
  reanalyse(id: string, reason: string): Promise<Ingested | null>;
  /** Removes traces of accepted routine events where space or quota asks for it; the events it touched. */
  keepTraces(limits: DiskConfig, now_ms: number): Promise<string[]>;
  /** Forgets the index and makes it anew from the folders. */
  rebuild(): Promise<void>;
  between(from_ms: number, to_ms: number): EventRow[];
  waveSpeedRows(leg: string): WaveSpeedRow[];
  exported(id: string, window: ExportWindow): Promise<Exported | null>;
  list(query: { readonly before: string | null; readonly limit: number }): EventRow[];
  get(id: string): Promise<EventView | null>;
  trace(id: string, query: TraceQuery): Promise<TraceView | null>;
  /** Control chart of a leg's wave speed; null for a leg without one. */
  waveSpeed(leg: string): WaveSpeedView | null;
  /** Waits for the call in hand, then closes the index; a scan under way ends there. */
  close(): Promise<void>;
}

/** Small picture of a row: this much before and after the trip, in slices. */
const shape = { before_s: 0.5, after_s: 1.5, slices: 48 } as const;

export function createIngest({ dataFolder, software, analyse, files = disk }: IngestOptions): Ingest {
  const index = new EventIndex(dataFolder);
  let queue: Promise<unknown> = Promise.resolve();
  let cached: { id: string; loaded: LoadedEvent } | null = null;
  let isClosed = false;

  function inTurn<T>(work: () => Promise<T>): Promise<T> {
    const result = queue.then(work);
    queue = result.then(
      () => undefined,
      // The caller of `inTurn` has the error; the queue goes on.
      () => undefined,
    );
    return result;
  }

  async function load(id: string): Promise<LoadedEvent> {
    if (cached?.id !== id) cached = { id, loaded: await loadEvent(eventFolder(dataFolder, id), files) };
    return cached.loaded;
  }

  /** Null while the trace is there, whatever a note says. */
  async function removedOf(folder: string): Promise<RemovedTrace | null> {
    const note = await readRemoved(folder, files);
    if (note === null) return null;
    return (await files.list(folder)).includes('trace.bin') ? null : note;
  }

  async function keepTraces(limits: DiskConfig, now_ms: number): Promise<string[]> {
    const space = await files.space(dataFolder);
    const { age_s, size_bytes } = limits.routineTraces;
    if (size_bytes === null && space.free_bytes >= lowSpace_bytes(limits, space)) return [];
    const old = index.known().filter((id) => now_ms - wallOfId_ms(id) > age_s * 1000);
    const rows = old
      .flatMap((id) => index.get(id)?.row ?? [])
      .filter((row) => row.traceRemoved === undefined);
    const gone = await removeRoutineTraces(dataFolder, rows, limits, space, now_ms, files);
    const told: string[] = [];
    for (const id of gone) {
      if (cached?.id === id) cached = null;
      const note = await removedOf(eventFolder(dataFolder, id));
      // Without a note it was somebody else, and would be found gone at every look.
      if (note === null) continue;
      index.markRemoved(id, note);
      told.push(id);
    }
    return told;
  }

  async function isWhole(id: string): Promise<boolean> {
    if (!isEventId(id)) return false;
    try {
      return (await stat(eventFolder(dataFolder, id))).isDirectory();
    } catch (error) {
      if (isMissing(error)) return false;
      throw error;
    }
  }

  /** Analyses and writes the next free revision; with `reason` null only when there is none yet. */
  async function takeIn(id: string, reason: string | null): Promise<Ingested | null> {
    if (!(await isWhole(id))) return null;
    const folder = eventFolder(dataFolder, id);
    let header: EventHeader | null = null;
    let verdict: Verdict | null = null;
    let isNew = index.get(id) === null;
    let picture: EventRow['shape'] = null;
    let trouble: string | null = null;
    let removed: RemovedTrace | null = null;
    try {
      header = await readEventHeader(folder, files);
      removed = await removedOf(folder);
      const revisions = await listRevisions(folder, files);
      const last = revisions.at(-1) ?? 0;
      if (last > 0 && (reason === null || removed !== null)) {
        // Whoever wrote it may have died, or failed, before its name was made to last.
        if (isNew) await files.syncFolder(folder);
        verdict = await readVerdict(folder, last, files);
      } else {
        const { record } = await load(id);
        verdict = await nextVerdict(folder, record, last + 1, reason ?? 'event closed');
        isNew = true;
      }
      if (removed === null) picture = pictureOf((await load(id)).record, verdict, header);
    } catch (error) {
      // A disk that fails is to be tried again; a record that cannot be read or judged stays as it is.
      if (isDiskFault(error)) throw error;
      trouble = messageOf(error);
    }
    const row: EventRow = {
      id,
      wall_ms: header === null ? wallOfId_ms(id) : wallOf_ms(header),
      source: header?.trip.source ?? 'unknown',
      closedBecause: header?.closedBecause ?? 'unknown',
      verdict,
      shape: picture,
      ...(removed === null ? {} : { traceRemoved: removed }),
    };
    const waveSpeeds =
      header === null || verdict === null ? [] : waveSpeedRows(header.config, verdict, row.wall_ms);
    index.put({ row, trouble, waveSpeeds });
    const file = verdict === null ? null : verdictName(verdict.revision);
    return { row, folder, file, trouble, isNew };
  }

  async function nextVerdict(
    folder: string,
    record: EventRecord,
    from: number,
    reason: string,
  ): Promise<Verdict> {
    for (let revision = from; ; revision++) {
      const verdict = analyse(record, { revision, software, reason });
      try {
        await writeVerdict(folder, verdict, files);
        return verdict;
      } catch (error) {
        // Somebody else, such as the command line, published this number meanwhile: theirs stays.
        if (codeOf(error) !== 'EEXIST') throw error;
      }
    }
  }

  /** One event a turn: an index of years that is made anew must not keep the trip of now from its verdict. */
  async function scanAll(onEach: (ingested: Ingested) => void): Promise<void> {
    const known = new Set(index.known());
    await sweepUnfinished(dataFolder, files);
    const failures: unknown[] = [];
    for (const id of await listEvents(dataFolder, files)) {
      if (known.has(id)) continue;
      let ingested: Ingested | null = null;
      try {
        // Meanwhile a hint may have brought it, or the store been closed.
        ingested = await inTurn(async () =>
          isClosed || index.get(id) !== null ? null : await takeIn(id, null),
        );
      } catch (error) {
        // One folder that the system refuses must not hide those after it; it stays unknown and comes up again.
        failures.push(error);
        continue;
      }
      if (ingested !== null) onEach(ingested);
    }
    if (failures.length > 0) throw failures[0];
  }

  return {
    setAside: index.setAside,
    ingest: (id) => inTurn(() => takeIn(id, null)),
    reanalyse: (id, reason) =>
      inTurn(async () => {
        // An event that the index knows is not looked at again: from here on it is unknown until the new revision is in.
        index.forget(id);
        return await takeIn(id, reason);
      }),
    keepTraces: (limits, now_ms) => inTurn(() => keepTraces(limits, now_ms)),
    scan: (onEach = () => undefined) => scanAll(onEach),
    async rebuild() {
      await inTurn(async () => index.clear());
      await scanAll(() => undefined);
    },
    list: ({ before, limit }) => index.list(before, limit),

    async get(id) {
      const entry = index.get(id);
      if (entry === null) return null;
      const folder = eventFolder(dataFolder, id);
      const header = await readEventHeader(folder, files);
      const { row } = entry;
      const verdict = row.verdict === null ? null : await readVerdict(folder, row.verdict.revision, files);
      return {
        ...row,
        verdict,
        trip_s: tripOf_s(verdict, header),
        window: header.window,
        rig: rigView(header.config, header.software, header.anchor),
      };
    },

    async trace(id, { channels, from_s, to_s, points }) {
      const entry = index.get(id);
      if (entry === null) return null;
      if (entry.row.traceRemoved !== undefined) return { channels: [] };
      const { header, series } = await load(id);
      const trip_s = tripOf_s(entry.row.verdict, header);
      const from = from_s === null ? header.window.from_s : trip_s + from_s;
      const to = to_s === null ? header.window.to_s : trip_s + to_s;
      const wanted = channels ?? header.config.channels.map((channel) => channel.id);
      return {
        channels: wanted.flatMap((channel) => {
          const found = series.get(channel);
          if (found === undefined) return [];
          const { time_s, min, max } = sliceSeries(found, from, to, points);
          return [{ id: channel, time_s: time_s.map((at_s) => at_s - trip_s), min, max }];
        }),
      };
    },

    async exported(id, window) {
      const entry = index.get(id);
      if (entry === null) return null;
      if (entry.row.traceRemoved !== undefined) return null;
      const loaded = await load(id);
      return exportEvent(loaded, tripOf_s(entry.row.verdict, loaded.header), window);
    },

    between: (from_ms, to_ms) => index.between(from_ms, to_ms),
    waveSpeedRows: (leg) => index.waveSpeeds(leg),

    waveSpeed(leg) {
      const rows = index.waveSpeeds(leg);
      return rows.length === 0 ? null : waveSpeedChart(leg, rows);
    },

    async close() {
      isClosed = true;
      await queue;
      index.close();
    },
  };
}

/** Trip instant on the record's clock: the verdict's where it has one, else the recorder's. */
function tripOf_s(verdict: Verdict | null, header: EventHeader): number {
  for (const leg of verdict?.legs ?? []) {
    if (leg.active && leg.results.trip.value !== null) return leg.results.trip.value;
  }
  return header.trip.time_s;
}

/** Wall time of the trip, in ms since 1970. */
function wallOf_ms(header: EventHeader): number {
  return wallAt_ms(header.anchor, header.trip.time_s);
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
