/** What an exported recording is, whatever its file format: a description, then chunks of samples in time order. */
import type { RigConfig } from '../../config/rig.ts';
import type { Series } from '../analysis/record.ts';
import type { WallAnchor } from '../clock.ts';

/** First line of every exported file, with `form`. */
export const exportForm = 1;

/** The configuration without what belongs to one machine: where it serves, publishes and keeps its data (an empty text). */
export type ExportedConfig = Omit<RigConfig, 'server' | 'publish'>;

/** What an export says of the rig. */
export function exportedConfig(config: Omit<RigConfig, 'publish'>): ExportedConfig {
  const { server: _server, ...rig } = config;
  return { ...rig, dataFolder: '' };
}

export interface ExportMeta {
  readonly form: typeof exportForm;
  /** Event id, or `window`. */
  readonly id: string;
  readonly software: string;
  /** Wall clock at an instant of the record's clock. */
  readonly anchor: WallAnchor;
  /** Trip on the record's clock, in s; null for a window without one. */
  readonly trip_s: number | null;
  readonly from_s: number;
  readonly to_s: number;
  readonly config: ExportedConfig;
  /** Channels in the file, in column order. */
  readonly channels: readonly string[];
}

/** What is known of a channel when all of it has been written. */
export interface ExportTotals {
  readonly samples: number;
  readonly lost: number;
  readonly halfWidth_s: number;
}

/** Channel id -> its samples in one stretch of time; stretches follow each other without overlap. */
export type ExportChunk = ReadonlyMap<string, Series>;

export interface Exported {
  readonly meta: ExportMeta;
  /** Samples of all channels that are to come, as far as known beforehand. */
  readonly samples: number;
  chunks(): AsyncIterable<ExportChunk> | Iterable<ExportChunk>;
}

/** Rows of one chunk: every instant at which some channel was sampled, ascending. */
export interface Rows {
  readonly time_s: Float64Array;
  readonly columns: readonly {
    readonly id: string;
    readonly series: Series;
    /** Sample of each row; -1 where the channel was not sampled then. */
    readonly at: Int32Array;
  }[];
}

/** Lays the channels of a chunk side by side. Channels of one group share their instants and are merged once. */
export function rowsOf(chunk: ExportChunk, channels: readonly string[]): Rows {
  const present = channels.flatMap((id) => {
    const series = chunk.get(id);
    return series === undefined ? [] : [{ id, series }];
  });
  const clocks = [...new Set(present.map(({ series }) => series.time_s))];
  const most = clocks.reduce((sum, { length }) => sum + length, 0);
  const time_s = new Float64Array(most);
  const places = clocks.map(() => new Int32Array(most).fill(-1));
  const next = clocks.map(() => 0);
  let rows = 0;
  for (;;) {
    let now_s = Number.POSITIVE_INFINITY;
    clocks.forEach((clock, index) => {
      now_s = Math.min(now_s, clock[next[index]!] ?? Number.POSITIVE_INFINITY);
    });
    if (now_s === Number.POSITIVE_INFINITY) break;
    clocks.forEach((clock, index) => {
      if (clock[next[index]!] !== now_s) return;
      places[index]![rows] = next[index]!;
      next[index]! += 1;
    });
    time_s[rows++] = now_s;
  }
  return {
    time_s: time_s.subarray(0, rows),
    columns: present.map(({ id, series }) => ({
      id,
      series,
      at: places[clocks.indexOf(series.time_s)]!.subarray(0, rows),
    })),
  };
}

/** Adds up what the last line of a file says of each channel. */
export class Totals {
  readonly #of = new Map<string, { samples: number; lost: number; halfWidth_s: number }>();

  constructor(channels: readonly string[]) {
    for (const id of channels) this.#of.set(id, { samples: 0, lost: 0, halfWidth_s: 0 });
  }

  add(chunk: ExportChunk): void {
    for (const [id, total] of this.#of) {
      const series = chunk.get(id);
      if (series === undefined) continue;
      total.samples += series.time_s.length;
      total.lost += series.lost;
      total.halfWidth_s = Math.max(total.halfWidth_s, series.halfWidth_s);
    }
  }

  get byChannel(): Readonly<Record<string, ExportTotals>> {
    return Object.fromEntries(this.#of);
  }
}

/** Only the samples between two instants of the record's clock, both inclusive. */
export function cut(series: Series, from_s: number, to_s: number): Series {
  const { time_s } = series;
  let first = 0;
  let end = time_s.length;
  while (first < end && time_s[first]! < from_s) first++;
  while (end > first && time_s[end - 1]! > to_s) end--;
  if (first === 0 && end === time_s.length) return series;
  return {
    ...series,
    time_s: time_s.subarray(first, end),
    value: series.value.subarray(first, end),
    quality: series.quality.subarray(first, end),
  };
}
