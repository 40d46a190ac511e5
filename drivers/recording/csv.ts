/**
 * Anyone's CSV recording as columns of numbers. What the file does not say itself can be given (CsvSpec).
 *
 * A row that cannot be used is refused and named, never repaired: wrong number of cells, no time, time going back or standing,
 * NUL bytes, a row longer than any recording has. A cell without a number (empty, NaN, text, 9.9e37 and more) keeps the column's
 * last value and is marked in `missing`. A number with marks between its thousands, or with the other decimal mark, ends the
 * reading: guessing there would cut off peaks.
 */
import { statSync } from 'node:fs';
import { DataError } from '../data-error.ts';
import type { CsvSpec } from '../line-spec.ts';
import { readHead, readRegularFile } from '../regular-file.ts';
import { findLayout, type TextRow } from './csv-layout.ts';
import { longestRow_bytes, normalise, RowWalker } from './csv-rows.ts';
import { type CsvTable, TableReader } from './csv-table.ts';

/** A CSV with everything to be found from it. */
export const anyCsv: CsvSpec = {
  delimiter: null,
  decimalComma: null,
  headerRows: null,
  timeColumn: null,
  rate_Hz: null,
};

/** Rows looked at to find the layout, and their bytes. */
const sampleRows = 200;
const sample_bytes = 1_048_576;

/** Size of the largest file, in bytes: eight channels at 5 kHz for a quarter of an hour. It is held in memory. */
const most_bytes = 512e6;

/** Reads a file; every DataError names it. A file that is not there is a DataError, too. */
export function readCsvFile(path: string, spec: CsvSpec = anyCsv): CsvTable {
  let bytes: Uint8Array;
  try {
    bytes = readRegularFile(path, most_bytes);
  } catch (error) {
    if (error instanceof DataError)
      throw new DataError(`${path}: ${error.message}${endlessLine(path)}`, { cause: error });
    throw new DataError(`${path}: cannot be read (${(error as Error).message})`, { cause: error });
  }
  try {
    return readCsv(bytes, spec);
  } catch (error) {
    if (error instanceof DataError) throw new DataError(`${path}: ${error.message}`, { cause: error });
    throw error;
  }
}

/** What is odd about the first line of a file that is too large, as a further clause. */
function endlessLine(path: string): string {
  if (!statSync(path).isFile()) return '';
  const head = readHead(path, longestRow_bytes + 1);
  if (head.length <= longestRow_bytes || head.includes(10) || head.includes(13)) return '';
  return `; line 1 does not end within ${longestRow_bytes} bytes, so this is no CSV`;
}

/** Reads the bytes of a CSV. Throws DataError, and nothing else, when they are none. */
export function readCsv(file: Uint8Array, spec: CsvSpec = anyCsv): CsvTable {
  const bytes = normalise(file);
  if (bytes === null) throw new DataError('this is not a text file');
  const { rows, spoilt } = sample(bytes);
  if (rows.length === 0 && spoilt !== null) throw new DataError(spoilt);
  const layout = findLayout(rows, spec);
  return new TableReader(bytes, layout, spec.rate_Hz).read();
}

function sample(bytes: Uint8Array): { rows: TextRow[]; spoilt: string | null } {
  const walker = new RowWalker(bytes);
  const rows: TextRow[] = [];
  let spoilt: string | null = null;
  for (let total_bytes = 0; rows.length < sampleRows && total_bytes < sample_bytes && walker.next(); ) {
    if (walker.spoilt !== null) {
      spoilt ??= `line ${walker.line}: ${walker.spoilt}; no other row`;
      continue;
    }
    rows.push({ line: walker.line, text: walker.text() });
    total_bytes += walker.to - walker.from;
  }
  return { rows, spoilt };
}
