/** Reads a CSV of `export-csv.ts` back into the record it was made from. */
import Type from 'typebox';
import { Value } from 'typebox/value';
import type { Series } from '../analysis/record.ts';
import { DataError } from '../errors.ts';
import { checkRecordedConfig } from '../store/recorded-config.ts';
import { type Integrity, integrityOf } from './content-hash.ts';
import { csvMark, qualityBits } from './export-csv.ts';
import type { ExportedConfig, ExportMeta, ExportTotals } from './exported.ts';

/** What is used of the two lines, whoever wrote them. */
const recordSchema = Type.Object({
  id: Type.String(),
  trip_s: Type.Union([Type.Number(), Type.Null()]),
  channels: Type.Array(Type.String()),
});
const endSchema = Type.Object({
  rows: Type.Integer({ minimum: 0 }),
  channels: Type.Record(
    Type.String(),
    Type.Object({
      lost: Type.Integer({ minimum: 0 }),
      halfWidth_s: Type.Number({ minimum: 0, maximum: 1e6 }),
    }),
  ),
});

export interface ReadBack {
  readonly meta: ExportMeta;
  readonly series: ReadonlyMap<string, Series>;
  readonly integrity: Integrity;
}

/** True for a text that begins as an exported file does. */
export function isExport(text: string): boolean {
  return text.startsWith(csvMark);
}

/** Throws `DataError` with file and line where it is not what was written, and where its end is missing. */
export function readExport(text: string, file: string): ReadBack {
  const lines = text.split(/\r?\n/);
  const meta = metaOf(lines, file);
  const end = commentOf<{ rows: number; channels: Record<string, ExportTotals> }>(lines, 'end', file);
  if (end === null) {
    throw new DataError(
      `${file}: the last line, "# end: ...", is missing: the file was cut short; export it again`,
    );
  }
  if (!Value.Check(endSchema, end))
    throw new DataError(`${file}: its line "# end: ..." does not hold the counts of an export`);
  const lead = meta.trip_s === null ? 1 : 2;
  const columns = meta.channels.map(() => ({
    time_s: [] as number[],
    value: [] as number[],
    quality: [] as number[],
  }));
  const first = lines.findIndex((line) => !line.startsWith('#')) + 1;
  let rows = 0;
  for (let at = first; at < lines.length; at++) {
    const line = lines[at]!;
    if (line === '' || line.startsWith('#')) continue;
    rows++;
    const cells = line.split(',');
    if (cells.length !== lead + columns.length + 1) {
      throw new DataError(
        `${file}:${at + 1}: ${cells.length} cells; ${lead + columns.length + 1} are allowed, as in the header`,
      );
    }
    const time_s = numberOf(cells[0]!, file, at);
    const bad = badOf(cells.at(-1)!, file, at);
    columns.forEach((column, index) => {
      const cell = cells[lead + index]!;
      if (cell === '') return;
      column.time_s.push(time_s);
      column.value.push(numberOf(cell, file, at));
      column.quality.push(bad.get(meta.channels[index]!) ?? 0);
    });
  }
  if (rows !== end.rows) {
    throw new DataError(`${file}: ${rows} rows; its last line says ${end.rows}: rows were lost or added`);
  }
  const known = new Map(meta.config.channels.map((channel) => [channel.id, channel]));
  const series = new Map<string, Series>();
  meta.channels.forEach((id, index) => {
    const { time_s, value, quality } = columns[index]!;
    series.set(id, {
      channel: known.get(id)!,
      time_s: Float64Array.from(time_s),
      value: Float64Array.from(value),
      quality: Uint8Array.from(quality),
      halfWidth_s: end.channels[id]?.halfWidth_s ?? 0,
      lost: end.channels[id]?.lost ?? 0,
    });
  });
  for (const channel of meta.config.channels) {
    if (series.has(channel.id)) continue;
    const none = new Float64Array(0);
    series.set(channel.id, {
      channel,
      time_s: none,
      value: none,
      quality: new Uint8Array(0),
      halfWidth_s: 0,
      lost: 0,
    });
  }
  return { meta, series, integrity: integrityOf(lines) };
}

function metaOf(lines: readonly string[], file: string): ExportMeta {
  const record = commentOf<Omit<ExportMeta, 'config' | 'form'>>(lines, 'record', file);
  const config = commentOf<ExportedConfig>(lines, 'configuration', file);
  if (record === null || config === null) {
    throw new DataError(
      `${file}: its lines "# record: ..." and "# configuration: ..." are needed to read it`,
    );
  }
  if (!Value.Check(recordSchema, record))
    throw new DataError(`${file}: its line "# record: ..." does not hold the facts of an export`);
  checkRecordedConfig(config, file);
  const ids = new Set(config.channels.map(({ id }) => id));
  if (!record.channels.every((id) => ids.has(id))) {
    throw new DataError(`${file}: the channels of "# record: ..." are not those of "# configuration: ..."`);
  }
  return { ...record, form: 1, config };
}

function commentOf<T>(lines: readonly string[], name: string, file: string): T | null {
  const mark = `# ${name}: `;
  const at = lines.findLastIndex((line) => line.startsWith(mark));
  if (at < 0) return null;
  try {
    return JSON.parse(lines[at]!.slice(mark.length)) as T;
  } catch (error) {
    throw new DataError(`${file}:${at + 1}: what follows "${mark}" is no JSON`, { cause: error });
  }
}

function numberOf(cell: string, file: string, at: number): number {
  const value = cell === 'NaN' ? Number.NaN : Number(cell);
  if (cell.trim() === '' || (Number.isNaN(value) && cell !== 'NaN')) {
    throw new DataError(`${file}:${at + 1}: found "${cell}" where a number is allowed`);
  }
  return value;
}

/** `PT-101:clipped PT-102:suspect` -> bits by channel. */
function badOf(cell: string, file: string, at: number): Map<string, number> {
  const bits = new Map<string, number>();
  if (cell === '') return bits;
  for (const part of cell.split(' ')) {
    const colon = part.lastIndexOf(':');
    const found = colon < 1 ? null : qualityBits(part.slice(colon + 1));
    if (found === null) throw new DataError(`${file}:${at + 1}: found "${part}" in the quality column`);
    bits.set(part.slice(0, colon), found);
  }
  return bits;
}
