/** The part of config/README.md that is made from the schema: every key of a rig file, and every unit. */
import { readFileSync, writeFileSync } from 'node:fs';
import { everydayKey, everydayMaterials } from './everyday.ts';
import { rigSchema } from './schema.ts';
import { channelKeys } from './schema-channel.ts';
import { kinds, type UnitKind } from './unit-table.ts';
import { unitsOf } from './units.ts';
import type { Schema } from './yaml-scalar.ts';

/** What the walk reads of a schema, beyond what the loader understands. */
interface Described extends Schema {
  readonly description?: string;
  readonly 'x-quantity'?: string;
  readonly 'x-range'?: string;
}

const page = new URL('README.md', import.meta.url);
const marker = '<!-- Below: written by `npm run schema`. -->\n';

type Row = readonly string[];

/** The page as it should be: what people wrote, then the tables. */
export function keyPageText(): string {
  const written = readFileSync(page, 'utf8').split(marker)[0] ?? '';
  return `${written}${marker}\n${keyTables()}`;
}

/** Writes the tables below the marker of config/README.md. */
export function writeKeyPage(): void {
  writeFileSync(page, keyPageText());
}

function keyTables(): string {
  const top = Object.entries((rigSchema as unknown as Described).properties ?? {});
  return [
    '## Every key',
    'In the column "left out": the value taken, "needed" where there is none, or "-" where nothing is taken.',
    ...top.flatMap(([key, schema]) =>
      sections(key, schema, isNeeded(rigSchema as unknown as Described, key)),
    ),
    '### Every channel',
    'Every channel has these keys, whatever its driver.',
    keyTable(
      rowsOf(
        {
          properties: channelKeys as unknown as Described['properties'],
          required: requiredOfChannel(),
        } as Described,
        '',
      ),
    ),
    '## Everyday spellings',
    'Case, blanks, hyphens and underscores do not count in a word of a list. These spellings are understood too; a word that may mean several is refused with the alternatives. An editor offers the words of the list.',
    table(['key', 'word', 'also'], everydayRows()),
    '## Units',
    'Prefixes count: m is milli, M is mega. Other differences of case do not.',
    table(['quantity', 'unit', 'also'], unitRows()),
  ]
    .join('\n\n')
    .concat('\n');
}

/** A heading and a table for one key of the top level; one for each driver or kind where there are several. */
function sections(key: string, schema: Described, needed: boolean): string[] {
  const item = (schema.items ?? schema) as Described;
  const name = schema.items ? `${key}[]` : key;
  const about = schema.description === undefined ? [] : [schema.description];
  if (item.anyOf) {
    return item.anyOf.flatMap((branch) => [
      `### \`${name}\`, ${chooser(branch)}`,
      keyTable(rowsOf(branch as Described, '')),
    ]);
  }
  if (item.properties === undefined) return [`### \`${key}\``, keyTable([rowOf(key, schema, needed)])];
  return [`### \`${name}\``, ...about, keyTable(rowsOf(item, ''))];
}

/** `driver: modbus`: the key with a literal that says which branch it is. */
function chooser(branch: Schema): string {
  const found = Object.entries(branch.properties ?? {}).find(([, property]) => property.const !== undefined);
  return found === undefined ? '' : `\`${found[0]}: ${found[1].const}\``;
}

const isNeeded = (parent: Schema, key: string) => parent.required?.includes(key) === true;

/** Every key below a map with its path from there; those of every channel have a table of their own. */
function rowsOf(map: Described, path: string): Row[] {
  const properties = Object.entries((map.properties ?? {}) as Readonly<Record<string, Described>>);
  const isChannel = path.endsWith('channels[].');
  const own = properties.filter(([key, schema]) => !isChannel || !isOfEveryChannel(key, schema));
  return own.flatMap(([key, schema]) => {
    const row = rowOf(`${path}${key}`, schema, isNeeded(map, key));
    if (schema.properties) return [row, ...rowsOf(schema, `${path}${key}.`)];
    const item = schema.items as Described | undefined;
    if (item?.properties) return [row, ...rowsOf(item, `${path}${key}[].`)];
    if (item?.anyOf) return [row, ...kindRows(item.anyOf, `${path}${key}[].`)];
    const maps = (schema.anyOf ?? []).filter((branch) => branch.properties);
    return [row, ...maps.flatMap((branch) => rowsOf(branch as Described, `${path}${key}.`))];
  });
}

/** Keys of a list whose entries are of several kinds. */
function kindRows(branches: readonly Schema[], path: string): Row[] {
  return branches.flatMap((branch) => {
    const rows = rowsOf(branch as Described, path);
    return rows.map(([key = '', ...rest]) => [`${key} (${chooser(branch).replaceAll('`', '')})`, ...rest]);
  });
}

function isOfEveryChannel(key: string, schema: Described): boolean {
  const common = (channelKeys as Record<string, unknown>)[key];
  return common !== undefined && JSON.stringify(common) === JSON.stringify(schema);
}

function requiredOfChannel(): string[] {
  const line = (rigSchema as unknown as Described).properties?.lines?.items?.anyOf?.[1];
  return [...(line?.properties?.channels?.items?.required ?? [])];
}

function rowOf(key: string, schema: Described, needed: boolean): Row {
  return [`\`${key}\``, valueText(schema), leftOutText(schema, needed), schema.description ?? ''];
}

function leftOutText(schema: Described, needed: boolean): string {
  const { default: given } = schema;
  if (given === undefined) return needed ? 'needed' : '-';
  if (schema.properties || schema.items) return JSON.stringify(given) === '[]' ? 'none' : 'as below';
  return given === '' ? 'empty' : `\`${given}\``;
}

/** What may be written, in few words. */
function valueText(schema: Described): string {
  const { minimum, maximum } = schema;
  if (schema['x-quantity'] !== undefined) {
    const name = quantityText(schema['x-quantity']);
    return schema['x-range'] ? `${name}, ${schema['x-range']}` : name;
  }
  if (schema.anyOf) return schema.anyOf.map((branch) => valueText(branch as Described)).join(' or ');
  if (schema.properties) return 'map';
  if (schema.items) return `list of: ${valueText(schema.items as Described)}`;
  if (schema.enum) return schema.enum.map((each) => `\`${each}\``).join(', ');
  if (schema.const !== undefined) return `\`${schema.const}\``;
  if (schema.type === 'boolean') return '`true`, `false`';
  if (schema.type === 'integer' || schema.type === 'number') {
    const kind = schema.type === 'integer' ? 'whole number' : 'number';
    return minimum === undefined || maximum === undefined ? kind : `${kind}, ${minimum} to ${maximum}`;
  }
  const [example] = schema.examples ?? [];
  return example === undefined ? 'text' : `text such as \`${example}\``;
}

/** `pressure, interval` -> `gauge pressure, from and to`. */
function quantityText(quantity: string): string {
  const [kind = '', form] = quantity.split(', ');
  const name = kinds[kind as UnitKind].name;
  if (form === undefined) return name;
  return form === 'interval' ? `${name}, from and to` : `${name} ${form}`;
}

function everydayRows(): Row[] {
  const leg = (rigSchema as unknown as Described).properties?.legs?.items?.properties ?? {};
  const lists = [
    ['material', everydayMaterials],
    ['valve type', leg.valve?.properties?.type?.[everydayKey]],
    ['restraint', leg.restraint?.[everydayKey]],
    ['quantity', (channelKeys.quantity as unknown as Schema)[everydayKey]],
  ] as const;
  return lists.flatMap(([key, list]) => [
    ...Object.entries(list?.same ?? {}).map(([word, also]) => [key, `\`${word}\``, also.join(', ')]),
    ...Object.entries(list?.several ?? {}).map(([word, meant]) => [
      key,
      'refused',
      `${word}: ${meant.join(', or ')}`,
    ]),
  ]);
}

function unitRows(): Row[] {
  return (Object.keys(kinds) as UnitKind[]).flatMap((kind) =>
    unitsOf(kind).map(({ symbol, aliases }) => [
      kinds[kind].name,
      symbol === '1' ? 'a plain number' : `\`${symbol}\``,
      aliases
        .filter((alias) => alias !== symbol)
        .map((alias) => `\`${alias}\``)
        .join(', '),
    ]),
  );
}

const keyTable = (rows: readonly Row[]) => table(['key', 'value', 'left out', 'what'], rows);

/** A table with its columns aligned, as the formatter leaves it. */
function table(head: Row, rows: readonly Row[]): string {
  const all = [head, ...rows].map((row) => row.map((cell) => cell.replaceAll('|', '\\|')));
  const widths = head.map((_, i) => Math.max(3, ...all.map((row) => (row[i] ?? '').length)));
  const line = (row: Row) => `| ${widths.map((width, i) => (row[i] ?? '').padEnd(width)).join(' | ')} |`;
  const [first = head, ...rest] = all;
  return [line(first), `| ${widths.map((width) => '-'.repeat(width)).join(' | ')} |`, ...rest.map(line)].join(
    '\n',
  );
}
