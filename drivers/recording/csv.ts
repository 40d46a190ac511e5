/**
 * Anyone's CSV recording as columns of numbers. What the file does not say itself can be given (CsvSpec).
 *
 * A row that cannot be used is refused and named, never repaired: wrong number of cells, no time, time going back or standing. A
 * cell without a number (empty, NaN, text) keeps the column's last value and is marked in `missing`. A number with marks
 * between its thousands, or with the other decimal mark, ends the reading: guessing there would cut off peaks.
 */
import { readFileSync } from 'node:fs';
import { DataError } from '../data-error.ts';
import type { CsvSpec } from '../line-spec.ts';
import { findLayout, type TextRow } from './csv-layout.ts';
import { normalise, RowWalker } from './csv-rows.ts';
import { type CsvTable, TableReader } from './csv-table.ts';

/** A CSV with everything to be found from it. */
export const anyCsv: CsvSpec = {
  delimiter: null,
  decimalComma: null,
  headerRows: null,
  timeColumn: null,
  rate_Hz: null,
};

/** Rows looked at to find the layout. */
const sampleRows = 200;

/** Reads a file; every DataError names it. A file that is not there is a DataError, too. */
export function readCsvFile(path: string, spec: CsvSpec = anyCsv): CsvTable {
  let bytes: Uint8Array;
  try {
    bytes = readFileSync(path);
  } catch (error) {
    throw new DataError(`${path}: cannot be read (${(error as Error).message})`, { cause: error });
  }
  try {
    return readCsv(bytes, spec);
  } catch (error) {
    if (error instanceof DataError) throw new DataError(`${path}: ${error.message}`, { cause: error });
    throw error;
  }
}

/** Reads the bytes of a CSV. Throws DataError, and nothing else, when they are none. */
export function readCsv(file: Uint8Array, spec: CsvSpec = anyCsv): CsvTable {
  const bytes = normalise(file);
  if (bytes === null) throw new DataError('this is not a text file');
  const layout = findLayout(sample(bytes), spec);
  return new TableReader(bytes, layout, spec.rate_Hz).read();
}

function sample(bytes: Uint8Array): TextRow[] {
  const walker = new RowWalker(bytes);
  const rows: TextRow[] = [];
  while (rows.length < sampleRows && walker.next()) {
    rows.push({ line: walker.line, text: walker.text() });
  }
  return rows;
}
