/** Verdicts of many events as one table, a row a leg: CSV for people, JSON and Parquet for programs. */
import { ByteWriter, ParquetWriter } from 'hyparquet-writer';
import { namesIn } from '../analysis/metrics.ts';
import type { LegResults, LegVerdict, Measured, Result } from '../analysis/verdict.ts';
import type { EventRow } from '../store/event-index.ts';
import { textCell } from './csv-cells.ts';
import { decimalsFor, rounded } from './digits.ts';

/** One leg of one event. */
export interface VerdictRow {
  readonly event: string;
  /** Trip instant, UTC. */
  readonly time: string;
  readonly source: string;
  readonly revision: number;
  readonly software: string;
  readonly leg: string;
  readonly valve: string;
  readonly severity: string;
  readonly flags: string;
  /** `quantity=option` of each definition in use, space between. */
  readonly definitions: string;
  readonly results: LegResults;
}

/** Active legs of all events that have a verdict, in the order of the events. */
export function verdictRows(events: readonly EventRow[]): VerdictRow[] {
  return events.flatMap(({ id, wall_ms, source, verdict }) =>
    (verdict?.legs ?? [])
      .filter(({ active }) => active)
      .map((leg: LegVerdict) => ({
        event: id,
        time: new Date(wall_ms).toISOString(),
        source,
        revision: verdict!.revision,
        software: verdict!.software,
        leg: leg.leg,
        valve: leg.valve,
        severity: leg.severity.class,
        flags: leg.flags.map(({ code }) => code).join(' '),
        definitions: (leg.definitions ?? []).map(({ quantity, option }) => `${quantity}=${option}`).join(' '),
        results: leg.results,
      })),
  );
}

const texts = [
  'event',
  'time',
  'source',
  'revision',
  'software',
  'leg',
  'valve',
  'severity',
  'flags',
  'definitions',
] as const;

interface Column {
  readonly name: string;
  readonly unit: string;
}

type Results = Readonly<Record<string, Result | undefined>>;

/** Metrics that any row has, in the order of the table; the unit where any row has a number. */
function columnsOf(rows: readonly VerdictRow[]): readonly Column[] {
  const all: Record<string, Result> = {};
  for (const { results } of rows)
    for (const [name, result] of Object.entries(results)) if (all[name]?.value == null) all[name] = result;
  return namesIn(all).map((name) => ({ name, unit: (all[name] as Partial<Measured>).unit ?? '' }));
}

/** Columns `<metric> [unit]`, `<metric> low`, `<metric> high`, `<metric> withheld`; digits follow the uncertainty. */
export function* verdictCsv(rows: readonly VerdictRow[]): Generator<string> {
  const columns = columnsOf(rows);
  const header = [
    ...texts,
    ...columns.flatMap(({ name, unit }) => [
      unit === '' ? name : `${name} [${unit}]`,
      `${name} low`,
      `${name} high`,
      `${name} withheld`,
    ]),
  ];
  yield `${header.map(textCell).join(',')}\r\n`;
  for (const row of rows) {
    const cells = texts.map((name) => textCell(String(row[name])));
    for (const { name } of columns) {
      const result = (row.results as Results)[name];
      if (result === undefined) cells.push('', '', '', '');
      else if (result.value === null) cells.push('', '', '', textCell(result.reason));
      else {
        const { value, low, high } = result as Measured;
        cells.push(
          ...[value, low, high].map((each) => rounded(each, decimalsFor(Math.abs(high - low) / 2, 6))),
          '',
        );
      }
    }
    yield `${cells.join(',')}\r\n`;
  }
}

/** An array of objects, results as in a verdict. */
export function* verdictJson(rows: readonly VerdictRow[]): Generator<string> {
  yield '[';
  let isFirst = true;
  for (const row of rows) {
    yield `${isFirst ? '' : ',\n'}${JSON.stringify(row)}`;
    isFirst = false;
  }
  yield ']\n';
}

/** Three doubles a metric (value, low, high; null where withheld); units in the metadata under `tripwave.units`. */
export async function verdictParquet(rows: readonly VerdictRow[]): Promise<Uint8Array> {
  const columns = columnsOf(rows);
  const writer = new ByteWriter();
  const numbers = columns.flatMap(({ name }) =>
    (['', ' low', ' high'] as const).map((end) => ({
      name: `${name}${end}`,
      data: rows.map(({ results }) => {
        const result = (results as Results)[name];
        if (result === undefined || result.value === null) return null;
        const { value, low, high } = result as Measured;
        return { '': value, ' low': low, ' high': high }[end];
      }),
    })),
  );
  const file = new ParquetWriter({
    writer,
    schema: [
      { name: 'root', num_children: texts.length + numbers.length },
      ...texts.map((name) => ({
        name,
        type: 'BYTE_ARRAY' as const,
        converted_type: 'UTF8' as const,
        repetition_type: 'REQUIRED' as const,
      })),
      ...numbers.map(({ name }) => ({
        name,
        type: 'DOUBLE' as const,
        repetition_type: 'OPTIONAL' as const,
      })),
    ],
    kvMetadata: [
      {
        key: 'tripwave.units',
        value: JSON.stringify(Object.fromEntries(columns.map(({ name, unit }) => [name, unit]))),
      },
      { key: 'tripwave.intervals', value: 'low and high are the ends of the 95 % interval' },
    ],
  });
  const textColumns = texts.map((name) => ({ name, data: rows.map((row) => String(row[name])) }));
  if (rows.length > 0) await file.write({ columnData: [...textColumns, ...numbers] });
  await file.finish();
  return writer.getBytes().slice();
}
