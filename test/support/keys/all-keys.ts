/** The table of keys as a whole, and what may be wrong with it. */
import { existsSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { channelKeys } from './channel-keys.ts';
import { houseKeys } from './house-keys.ts';
import type { KeyRow } from './key-row.ts';
import { modbusKeys } from './modbus-keys.ts';
import { pipeKeys } from './pipe-keys.ts';
import { publishKeys } from './publish-keys.ts';
import { streamKeys } from './stream-keys.ts';
import { tripKeys } from './trip-keys.ts';

export const allKeys: readonly KeyRow[] = [
  ...pipeKeys,
  ...channelKeys,
  ...tripKeys,
  ...modbusKeys,
  ...streamKeys,
  ...houseKeys,
  ...publishKeys,
];

/** Keys without a row, rows without a key, keys with two rows, rows that show nothing. */
export function rowFaults(keys: readonly string[], rows: readonly KeyRow[]): string[] {
  const named = rows.map(({ key }) => key);
  return [
    ...keys.filter((key) => !named.includes(key)).map((key) => `${key} has no row`),
    ...named.filter((key) => !keys.includes(key)).map((key) => `${key} is no key of the schema`),
    ...named.filter((key, i) => named.indexOf(key) !== i).map((key) => `${key} has two rows`),
    ...rows
      .filter(({ prove, elsewhere = [] }) => prove === undefined && elsewhere.length === 0)
      .map(({ key }) => `${key} shows its effect nowhere`),
  ];
}

/** Tests named by rows that no file holds. */
export function missingTests(rows: readonly KeyRow[]): string[] {
  return rows.flatMap(({ key, elsewhere = [] }) =>
    elsewhere.flatMap(([file, title]) => {
      const path = join(import.meta.dirname, '../..', file);
      if (!existsSync(path)) return [`${key}: ${file} is not there`];
      return readFileSync(path, 'utf8').includes(`'${title}'`)
        ? []
        : [`${key}: ${file} has no test "${title}"`];
    }),
  );
}
