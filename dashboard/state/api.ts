/** The HTTP API as functions. */
import type {
  EventRow,
  EventView,
  LegDayView,
  RigView,
  TraceView,
  TrendView,
  WaveSpeedView,
} from '../../daemon/web/wire.ts';

/** An answer that is not 2xx; the message is the server's own sentence. */
export class ApiError extends Error {
  override name = 'ApiError';
  readonly status: number;

  constructor(status: number, message: string) {
    super(message);
    this.status = status;
  }
}

async function getJson<T>(path: string, signal?: AbortSignal): Promise<T> {
  const response = await fetch(path, signal === undefined ? {} : { signal });
  if (response.ok) return (await response.json()) as T;
  const body = (await response.json().catch(() => ({}))) as { error?: string };
  throw new ApiError(response.status, body.error ?? `The server answered ${response.status}.`);
}

export function fetchRig(): Promise<RigView> {
  return getJson('/api/rig');
}

export async function fetchEvents(before: string | null, limit: number): Promise<readonly EventRow[]> {
  const query = new URLSearchParams({ limit: String(limit), ...(before === null ? {} : { before }) });
  return (await getJson<{ events: EventRow[] }>(`/api/events?${query}`)).events;
}

export function fetchEvent(id: string, signal?: AbortSignal): Promise<EventView> {
  return getJson(`/api/events/${encodeURIComponent(id)}`, signal);
}

export function fetchWaveSpeed(leg: string, signal?: AbortSignal): Promise<WaveSpeedView> {
  return getJson(`/api/legs/${encodeURIComponent(leg)}/wave-speed`, signal);
}

export function fetchTrend(
  channel: string,
  from_ms: number,
  to_ms: number,
  points: number,
  signal?: AbortSignal,
): Promise<TrendView> {
  const query = `from=${Math.round(from_ms)}&to=${Math.round(to_ms)}&points=${points}`;
  return getJson(`/api/trends/${encodeURIComponent(channel)}?${query}`, signal);
}

/** The last 30 days, oldest first. */
export async function fetchLegDays(leg: string, signal?: AbortSignal): Promise<readonly LegDayView[]> {
  return (await getJson<{ days: LegDayView[] }>(`/api/legs/${encodeURIComponent(leg)}/days`, signal)).days;
}

export interface TraceWindow {
  readonly channels: readonly string[];
  readonly from_s: number;
  readonly to_s: number;
  readonly points: number;
}

export function fetchTrace(id: string, window: TraceWindow, signal?: AbortSignal): Promise<TraceView> {
  const query = new URLSearchParams({
    channels: window.channels.join(','),
    from: window.from_s.toFixed(6),
    to: window.to_s.toFixed(6),
    points: String(Math.round(window.points)),
  });
  return getJson(`/api/events/${encodeURIComponent(id)}/trace?${query}`, signal);
}

const windowQuery = (from_s: number, to_s: number) => `from=${from_s.toFixed(4)}&to=${to_s.toFixed(4)}`;

/** Address of a file of a window. */
export function exportAddress(
  id: string,
  format: 'csv' | 'parquet' | 'json',
  from_s: number,
  to_s: number,
): string {
  return `/api/events/${encodeURIComponent(id)}/export.${format}?${windowQuery(from_s, to_s)}`;
}

/** `csv_bytes`, `parquet_bytes`, `json_bytes`: about how large the files will be. */
export function fetchExportSizes(
  id: string,
  from_s: number,
  to_s: number,
): Promise<Readonly<Record<string, number>>> {
  return getJson(`/api/events/${encodeURIComponent(id)}/export?${windowQuery(from_s, to_s)}`);
}
