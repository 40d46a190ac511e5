/** What stands in a CSV that no rig file describes yet, and a rig file to fill in. */
import { basename } from 'node:path';
import type { QuantityKind } from '../../config/rig.ts';
import type { UnitKind } from '../../config/unit-table.ts';
import { findUnit } from '../../config/units.ts';
import { anyCsv, readCsvFile } from '../../drivers/recording/csv.ts';

/** One column with what it probably is; null where neither unit nor values say. */
interface FoundColumn {
  readonly name: string;
  readonly unit: string;
  readonly quantity: QuantityKind | null;
}

export interface FoundCsv {
  /** A sentence a line. */
  readonly lines: readonly string[];
  /** A rig file in which `FILL IN` stands for what the CSV does not say; `check` names each of them. */
  readonly rig: string;
}

const quantityOf: readonly (readonly [UnitKind, QuantityKind])[] = [
  ['pressure', 'pressure'],
  ['velocity', 'velocity'],
  ['flow', 'flow'],
  ['rotation', 'speed'],
  ['temperature', 'temperature'],
  ['ratio', 'position'],
  ['length', 'level'],
];

/** Reads the whole file. Throws DataError for one that is no table of numbers with a time. */
export function foundIn(path: string): FoundCsv {
  const table = readCsvFile(path, anyCsv);
  const columns = table.columns.map((name, i): FoundColumn => {
    const unit = table.units[i] ?? '';
    const values = table.values.get(name) ?? new Float64Array();
    return { name, unit, quantity: guess(unit, values) };
  });
  const rate_Hz = 1 / table.interval_s;
  const lines = [
    `${table.time_s.length} rows, ${Number(rate_Hz.toPrecision(4))} a second, ${Number((table.time_s.at(-1)! - table.time_s[0]!).toPrecision(4))} s`,
    ...columns.map(
      ({ name, unit, quantity }) =>
        `column ${JSON.stringify(name)}: ${unit === '' ? 'no unit' : unit}, ${quantity === null ? 'quantity not known' : `probably ${quantity}`}`,
    ),
    ...table.skippedColumns.map((name) => `column ${JSON.stringify(name)}: no numbers, left out`),
  ];
  return { lines, rig: rigText(path, columns) };
}

function guess(unit: string, values: Float64Array): QuantityKind | null {
  const known = unit === '' ? undefined : quantityOf.find(([kind]) => findUnit(kind, unit) !== null);
  if (known !== undefined) return known[1];
  return unit === '' && values.every((value) => value === 0 || value === 1) ? 'state' : null;
}

function rigText(path: string, columns: readonly FoundColumn[]): string {
  const tags = columns.map((_, i) => `C-${i + 1}`);
  const first = (...quantities: readonly QuantityKind[]) =>
    tags[columns.findIndex(({ quantity }) => quantity !== null && quantities.includes(quantity))];
  const meter = first('velocity', 'flow');
  const contact = first('state');
  const channels = columns.map(({ name, unit, quantity }, i) => {
    const head = `{ id: ${tags[i]}, column: ${JSON.stringify(name)}, quantity: `;
    if (quantity === 'state') return `      - ${head}state }`;
    const rest = `unit: ${unit === '' ? 'FILL IN' : JSON.stringify(unit)}, range: FILL IN }`;
    return quantity === null ? `      # - ${head}FILL IN, ${rest}` : `      - ${head}${quantity}, ${rest}`;
  });
  return [
    '# Made from the columns of a CSV. Replace each FILL IN, then: tripwave check THIS FILE. Every key: config/README.md.',
    `rig: { name: ${JSON.stringify(basename(path))} }`,
    'legs:',
    '  - id: A',
    '    bore: FILL IN # inside diameter, e.g. 154 mm',
    '    wall: FILL IN # e.g. 7 mm',
    '    material: carbon steel',
    '    length: FILL IN # valve seat to the tank, e.g. 9 m +- 1 %',
    '    inletLength: FILL IN # pump to valve seat',
    '    valve: { id: V-1, type: FILL IN, size: FILL IN }',
    '    taps:',
    `      outlet: { channel: ${first('pressure') ?? 'FILL IN'}, distance: FILL IN } # just behind the valve`,
    ...(meter === undefined ? [] : [`    meter: { channel: ${meter} }`]),
    'lines:',
    '  - id: recording',
    '    driver: recording',
    `    path: ${JSON.stringify(path)}`,
    '    channels:',
    ...channels,
    ...(contact === undefined ? [] : ['trip:', `  contact: { channel: ${contact} } # 1 while the pump runs`]),
    '',
  ].join('\n');
}
