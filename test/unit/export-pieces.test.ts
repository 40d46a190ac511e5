/** A long event leaves in pieces: no writer ever holds all of it as text. */
import { expect, test } from 'vitest';
import { exportEvent } from '../../daemon/report/export-event.ts';
import type { ExportChunk } from '../../daemon/report/exported.ts';
import type { LoadedEvent } from '../../daemon/store/load-record.ts';
import { eventContent } from '../support/event-builder.ts';

const { header } = eventContent('nowhere');
const lines = [
  { ids: ['outlet', 'tank', 'meter'], samples: 300_000, rate_Hz: 5000 },
  { ids: ['run'], samples: 600, rate_Hz: 10 },
];
const series = new Map(
  lines.flatMap(({ ids, samples, rate_Hz }) => {
    const time_s = Float64Array.from({ length: samples }, (_, k) => 3 + k / rate_Hz);
    return ids.map((id) => {
      const channel = header.config.channels.find((each) => each.id === id)!;
      const value = Float64Array.from(time_s, (_, k) => k);
      return [
        id,
        { channel, time_s, value, quality: new Uint8Array(samples), halfWidth_s: 1e-5, lost: 7 },
      ] as const;
    });
  }),
);

test('each sample comes once, in order, and channels of a group keep one clock', () => {
  const loaded = { header, series } as unknown as LoadedEvent;
  const exported = exportEvent(loaded, 3, { channels: null, from_s: null, to_s: null });
  const pieces = [...(exported.chunks() as Iterable<ExportChunk>)];
  expect(pieces.length).toBeGreaterThan(3);
  for (const piece of pieces) {
    const samples = [...piece.values()].reduce((sum, { time_s }) => sum + time_s.length, 0);
    expect(samples).toBeLessThan(260_000);
    expect(piece.get('tank')!.time_s).toBe(piece.get('outlet')!.time_s);
  }
  for (const [id, { value, lost }] of series) {
    const joined = pieces.flatMap((piece) => [...piece.get(id)!.value]);
    expect(joined.length).toBe(value.length);
    expect(joined.every((each, k) => each === value[k])).toBe(true);
    expect(pieces.reduce((sum, piece) => sum + piece.get(id)!.lost, 0)).toBe(lost);
  }
});
