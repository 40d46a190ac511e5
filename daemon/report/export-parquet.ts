/** A recording as Parquet: one row an instant, doubles, one row group a chunk; units and uncertainties in the metadata. */
import { ByteWriter, ParquetWriter } from 'hyparquet-writer';
import { newContentHash } from './content-hash.ts';
import { qualityWords } from './export-csv.ts';
import { type Exported, type Rows, rowsOf, Totals } from './exported.ts';

/** Most rows in one group: what is held in memory at a time. */
const rowsAGroup = 100_000;

/** Pieces of the file in order. Channels are nullable doubles named by their tag; `quality` is a text, empty when good. */
export async function* parquetOf({ meta, chunks }: Exported): AsyncGenerator<Uint8Array> {
  const writer = new ByteWriter();
  const totals = new Totals(meta.channels);
  const kvMetadata = [
    { key: 'tripwave.form', value: String(meta.form) },
    { key: 'tripwave.record', value: JSON.stringify({ ...meta, config: undefined }) },
    { key: 'tripwave.configuration', value: JSON.stringify(meta.config) },
    { key: 'tripwave.channels', value: JSON.stringify(channelsOf(meta.config, meta.channels)) },
  ];
  const double = (name: string, isNullable: boolean) =>
    ({ name, type: 'DOUBLE', repetition_type: isNullable ? 'OPTIONAL' : 'REQUIRED' }) as const;
  const file = new ParquetWriter({
    writer,
    schema: [
      { name: 'root', num_children: meta.channels.length + 2 },
      double('time_s', false),
      ...meta.channels.map((id) => double(id, true)),
      { name: 'quality', type: 'BYTE_ARRAY', converted_type: 'UTF8', repetition_type: 'REQUIRED' },
    ],
    kvMetadata,
    createdBy: `tripwave ${meta.software}`,
  });
  const hash = newContentHash();
  for await (const chunk of chunks()) {
    totals.add(chunk);
    const rows = rowsOf(chunk, meta.channels);
    for (let from = 0; from < rows.time_s.length; from += rowsAGroup) {
      const to = Math.min(rows.time_s.length, from + rowsAGroup);
      await file.write({ columnData: columnsOf(rows, from, to, meta.channels), rowGroupSize: rowsAGroup });
      const piece = taken(writer);
      hash.update(piece);
      yield piece;
    }
  }
  // A file without rows has its first four bytes still to come.
  const rest = taken(writer);
  hash.update(rest);
  yield rest;
  kvMetadata.push({ key: 'tripwave.end', value: JSON.stringify({ channels: totals.byChannel }) });
  for (const { value } of kvMetadata) hash.update(value);
  kvMetadata.push({ key: 'tripwave.sha256', value: hash.digest('hex') });
  await file.finish();
  yield taken(writer);
}

/** What has been written since; the writer's own count of the whole goes on. */
function taken(writer: ByteWriter): Uint8Array {
  const bytes = writer.getBytes().slice();
  writer.index = 0;
  return bytes;
}

function channelsOf(config: Exported['meta']['config'], ids: readonly string[]) {
  return config.channels
    .filter(({ id }) => ids.includes(id))
    .map(({ id, name, quantity, unit, uncertainty }) => ({
      id,
      name,
      quantity,
      unit,
      standardUncertainty: uncertainty,
    }));
}

function columnsOf({ time_s, columns }: Rows, from: number, to: number, channels: readonly string[]) {
  const bad: string[] = new Array(to - from).fill('');
  const data = channels.map((name) => {
    const column = columns.find(({ id }) => id === name);
    const values: (number | null)[] = new Array(to - from).fill(null);
    if (column === undefined) return { name, data: values };
    const { at, series } = column;
    for (let row = from; row < to; row++) {
      const sample = at[row]!;
      if (sample < 0) continue;
      values[row - from] = series.value[sample]!;
      const bits = series.quality[sample]!;
      if (bits !== 0) bad[row - from] += `${bad[row - from] === '' ? '' : ' '}${name}:${qualityWords(bits)}`;
    }
    return { name, data: values };
  });
  return [{ name: 'time_s', data: time_s.subarray(from, to) }, ...data, { name: 'quality', data: bad }];
}
