/** What pages, exports and charts read of the events. Null for an id that the index does not know. */
import type { Verdict } from '../analysis/verdict.ts';
import { DataError } from '../errors.ts';
import { type ExportWindow, exportEvent } from '../report/export-event.ts';
import type { Exported } from '../report/exported.ts';
import { eventFolder, readEventHeader, withoutPlace } from '../store/event-folder.ts';
import type { EventIndex, EventRow, IndexEntry, WaveSpeedRow } from '../store/event-index.ts';
import type { Files } from '../store/files.ts';
import { sliceSeries } from '../store/slices.ts';
import { readVerdict, verdictName } from '../store/verdict-files.ts';
import { type WaveSpeedView, waveSpeedChart } from '../trends/wave-speed-chart.ts';
import type { EventLibrary, TraceQuery } from '../web/event-library.ts';
import { rigView } from '../web/views.ts';
import type { EventView, TraceView } from '../web/wire.ts';
import type { LoadedEvents } from './loaded-events.ts';
import { tripOf_s } from './take-in.ts';

export interface EventReads {
  readonly dataFolder: string;
  readonly files: Files;
  readonly loaded: LoadedEvents;
  readonly index: EventIndex;
}

/** Reads only; what comes from the index alone comes at once. */
export interface Library extends EventLibrary {
  list(query: { readonly before: string | null; readonly limit: number }): EventRow[];
  between(from_ms: number, to_ms: number): EventRow[];
  waveSpeedRows(leg: string): WaveSpeedRow[];
  waveSpeed(leg: string): WaveSpeedView | null;
  get(id: string): Promise<EventView | null>;
  trace(id: string, query: TraceQuery): Promise<TraceView | null>;
  exported(id: string, window: ExportWindow): Promise<Exported | null>;
}

export function libraryOf(reads: EventReads): Library {
  const { index } = reads;
  return {
    list: ({ before, limit }) => index.list(before, limit),
    between: (from_ms, to_ms) => index.between(from_ms, to_ms),
    waveSpeedRows: (leg) => index.waveSpeeds(leg),
    waveSpeed(leg) {
      const rows = index.waveSpeeds(leg);
      return rows.length === 0 ? null : waveSpeedChart(leg, rows);
    },
    get: (id) => viewOf(reads, id),
    trace: (id, query) => traceOf(reads, id, query),
    exported: (id, window) => exportedOf(reads, id, window),
  };
}

/** Throws `DataError` for a folder that cannot be read; it names the event and the file, never where they lie. */
function viewOf(reads: EventReads, id: string): Promise<EventView | null> {
  return readOf(reads, id, async ({ row }, folder) => {
    const header = await readEventHeader(folder, reads.files);
    const { verdict, lack } = await verdictOf(row, folder, reads.files);
    return {
      ...row,
      verdict,
      ...(lack === null ? {} : { trouble: row.trouble ?? lack }),
      trip_s: tripOf_s(verdict, header),
      window: header.window,
      ...(header.rebuilt === undefined ? {} : { rebuilt: header.rebuilt }),
      rig: rigView(header.config, header.software, header.anchor),
    };
  });
}

/** Whole, as in its file; from the index, which has no velocity histories, where somebody has removed that. */
async function verdictOf(
  { verdict }: EventRow,
  folder: string,
  files: Files,
): Promise<{ readonly verdict: Verdict | null; readonly lack: string | null }> {
  if (verdict === null) return { verdict, lack: null };
  const name = verdictName(verdict.revision);
  if (!(await files.list(folder)).includes(name))
    return { verdict, lack: `${name} is gone from the folder; these figures are those of the index.` };
  return { verdict: await readVerdict(folder, verdict.revision, files), lack: null };
}

/** As `viewOf`; no channels where the samples have been removed. */
function traceOf(reads: EventReads, id: string, query: TraceQuery): Promise<TraceView | null> {
  const { channels, from_s, to_s, points } = query;
  return readOf(reads, id, async ({ row }) => {
    if (row.traceRemoved !== undefined) return { channels: [] };
    const { header, series } = await reads.loaded.load(id);
    const trip_s = tripOf_s(row.verdict, header);
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
  });
}

/** As `viewOf`; null also where the samples have been removed. */
function exportedOf(reads: EventReads, id: string, window: ExportWindow): Promise<Exported | null> {
  return readOf(reads, id, async ({ row }) => {
    if (row.traceRemoved !== undefined) return null;
    const loaded = await reads.loaded.load(id);
    return exportEvent(loaded, tripOf_s(row.verdict, loaded.header), window);
  });
}

async function readOf<T>(
  { dataFolder, index }: EventReads,
  id: string,
  read: (entry: IndexEntry, folder: string) => Promise<T>,
): Promise<T | null> {
  const entry = index.get(id);
  if (entry === null) return null;
  const folder = eventFolder(dataFolder, id);
  try {
    return await read(entry, folder);
  } catch (error) {
    if (!(error instanceof DataError)) throw error;
    // Where the folder lies is nobody's business behind a page.
    throw new DataError(`Event ${id}: ${withoutPlace(error.message, folder)}`, { cause: error });
  }
}
