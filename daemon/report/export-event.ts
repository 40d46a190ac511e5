/** An event as something to export. */
import type { LoadedEvent } from '../store/load-record.ts';
import { cut, type Exported, exportedConfig, exportForm } from './exported.ts';

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
    samples: [...chunk.values()].reduce((sum, { time_s }) => sum + time_s.length, 0),
    chunks: () => [chunk],
  };
}
