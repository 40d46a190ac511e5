/** An event as something to export. */
import type { LoadedEvent } from '../store/load-record.ts';
import { cut, type ExportChunk, type Exported, exportedConfig, exportForm } from './exported.ts';

export interface ExportWindow {
  /** null: every channel that was recorded. */
  readonly channels: readonly string[] | null;
  /** In s after the trip; null: to the end of the record on that side. */
  readonly from_s: number | null;
  readonly to_s: number | null;
}

/** Channels come in the order of the configuration; unknown ones are left out. `trip_s` is on the record's clock. */
export function exportEvent({ header, series }: LoadedEvent, trip_s: number, window: ExportWindow): Exported {
  const from_s = window.from_s === null ? Number.NEGATIVE_INFINITY : trip_s + window.from_s;
  const to_s = window.to_s === null ? Number.POSITIVE_INFINITY : trip_s + window.to_s;
  const { publish: _publish, ...rig } = header.config;
  const config = exportedConfig(rig);
  const channels = config.channels
    .map(({ id }) => id)
    .filter((id) => (series.get(id)?.time_s.length ?? 0) > 0)
    .filter((id) => window.channels === null || window.channels.includes(id));
  const clocks = new Map<Float64Array, Float64Array>();
  const chunk = new Map(
    channels.map((id) => {
      const part = cut(series.get(id)!, from_s, to_s);
      // Channels of one group share one array of instants; their parts go on sharing one.
      const shared = clocks.get(series.get(id)!.time_s) ?? part.time_s;
      clocks.set(series.get(id)!.time_s, shared);
      return [id, { ...part, time_s: shared }] as const;
    }),
  );
  const samples = [...chunk.values()].reduce((sum, { time_s }) => sum + time_s.length, 0);
  return {
    meta: {
      form: exportForm,
      id: header.id,
      software: header.software,
      anchor: header.anchor,
      trip_s,
      from_s: Math.max(header.window.from_s, from_s),
      to_s: Math.min(header.window.to_s, to_s),
      config,
      channels,
    },
    samples,
    chunks: () => piecesOf(chunk, samples),
  };
}

/** Samples of all channels in one piece: what a writer holds as text at a time, and how long other requests wait for it. */
const samplesAPiece = 250_000;

/** Pieces of equal time. A quarter of an hour of eight fast channels at once would be gigabytes of JSON. */
function* piecesOf(whole: ExportChunk, samples: number): Generator<ExportChunk> {
  const all = [...whole.values()].filter(({ time_s }) => time_s.length > 0);
  const count = Math.max(1, Math.ceil(samples / samplesAPiece));
  const first_s = Math.min(...all.map(({ time_s }) => time_s[0]!));
  const width_s = (Math.max(...all.map(({ time_s }) => time_s.at(-1)!)) - first_s) / count;
  const next = new Map<Float64Array, number>();
  for (let piece = 1; piece <= count; piece++) {
    const limit_s = piece === count ? Number.POSITIVE_INFINITY : first_s + piece * width_s;
    const ends = new Map<
      Float64Array,
      { readonly from: number; readonly to: number; readonly time_s: Float64Array }
    >();
    for (const { time_s } of whole.values()) {
      if (ends.has(time_s)) continue;
      const from = next.get(time_s) ?? 0;
      let to = from;
      while (to < time_s.length && time_s[to]! < limit_s) to++;
      next.set(time_s, to);
      ends.set(time_s, { from, to, time_s: time_s.subarray(from, to) });
    }
    yield new Map(
      [...whole].map(([id, series]) => {
        const { from, to, time_s } = ends.get(series.time_s)!;
        const value = series.value.subarray(from, to);
        // What was lost is told once.
        const lost = piece === 1 ? series.lost : 0;
        return [id, { ...series, time_s, value, quality: series.quality.subarray(from, to), lost }];
      }),
    );
  }
}
