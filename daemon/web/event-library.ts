/** What the pages need of the event store. The store fulfils it; tests put a made-up one behind the same routes. */
import type { ExportWindow } from '../report/export-event.ts';
import type { Exported } from '../report/exported.ts';
import type { WaveSpeedRow } from '../store/event-index.ts';
import type { EventRow, EventView, TraceView, WaveSpeedView } from './wire.ts';

/** At most `points` slices a channel. */
export interface TraceQuery extends ExportWindow {
  readonly points: number;
}

type Awaitable<T> = T | Promise<T>;

/** Reads only. An unknown id gives null, never a throw; a folder that cannot be read throws `DataError`. */
export interface EventLibrary {
  /** Newest first; `before` is the id of the last row already shown. */
  list(query: { readonly before: string | null; readonly limit: number }): Awaitable<readonly EventRow[]>;
  get(id: string): Awaitable<EventView | null>;
  trace(id: string, query: TraceQuery): Awaitable<TraceView | null>;
  /** The day's wave speeds of a leg; null for a leg that no event has. */
  waveSpeed(leg: string): Awaitable<WaveSpeedView | null>;
  /** Events whose trip lies in [from_ms, to_ms), oldest first. */
  between(from_ms: number, to_ms: number): Awaitable<readonly EventRow[]>;
  /** What single events told of the wave speed of a leg, oldest first. */
  waveSpeedRows(leg: string): Awaitable<readonly WaveSpeedRow[]>;
  /** The samples of an event as something to export; null for an event that is not known or has none any more. */
  exported(id: string, window: ExportWindow): Awaitable<Exported | null>;
}
