/** The rows of a CSV whose layout is known, as columns of numbers. `csv.ts` says what is refused and why. */
import { DataError } from '../data-error.ts';
import { isMisread, parseInstant, parseNumber, parseText } from './csv-cell.ts';
import { type CsvLayout, splitRow } from './csv-layout.ts';
import { RowWalker } from './csv-rows.ts';
import { dropStandingTimes, type RefusedRow, spreadStandingTimes, typicalStep_s } from './csv-time.ts';

/** Refused rows that are named; the others are only counted. */
const mostNamed = 20;

/** Cells of a file that are held, 9 bytes each: an hour of eight channels at 1 kHz. */
const mostCells = 2 ** 25;

/** Times from here on, in s, are given less the first one: a double would lose the digits of a count from 1970. */
const largeTime_s = 1e6;

/** Times further than this from the file's origin are no recording's, in s (30 years): a wild cell, or not a time at all. */
const longest_s = 1e9;

/** From this size on a value is a mark: instruments write 9.9e37 for infinity and 9.91e37 for no number (SCPI-99, volume 1, 7.2.1; from memory). */
const markFrom = 9.9e37;

/** Share of rows with the time of the row before that shows a clock coarser than the sampling, not a fault. */
const coarseClock_ratio = 0.1;

/** A recording as columns. */
export interface CsvTable {
  /** Names of the columns with numbers, besides the time, in file order; each is a key of `values`. */
  readonly columns: readonly string[];
  /** Unit of each column as written, empty where the file does not say. */
  readonly units: readonly string[];
  /** Rising instants in s; the file's own time is `time_s[i] + origin_s`. */
  readonly time_s: Float64Array;
  readonly origin_s: number;
  /** Typical (median) spacing of the rows, in s. */
  readonly interval_s: number;
  /** What the last digit of the times is worth, in s; 0 where they come from the rate. */
  readonly resolution_s: number;
  readonly timeFrom: 'column' | 'rate' | 'column-spread';
  readonly values: ReadonlyMap<string, Float64Array>;
  /** 1 where the cell held no number, for the columns with such cells. */
  readonly missing: ReadonlyMap<string, Uint8Array>;
  /** Columns without any number. */
  readonly skippedColumns: readonly string[];
  /** Comment lines and rows in front of the header, in file order. */
  readonly metadata: readonly string[];
  readonly rowsRefused: number;
  readonly cellsMissing: number;
  /** The first refused rows, in file order. */
  readonly refused: readonly RefusedRow[];
  readonly delimiter: string;
  readonly decimalComma: boolean;
  readonly headerRows: number;
}

/** Reads the rows once; make a new one for every file. */
export class TableReader {
  readonly #walker: RowWalker;
  readonly #layout: CsvLayout;
  readonly #rate_Hz: number | null;
  readonly #width: number;
  readonly #columns: Float64Array[];
  readonly #missing: Uint8Array[];
  readonly #time_s: Float64Array;
  readonly #lines: Int32Array;
  readonly #ends: Int32Array;
  #origin: bigint | null = null;
  #day_s = 0;
  #rows = 0;
  #standing = 0;
  #refused: RefusedRow[] = [];
  #rowsRefused = 0;

  constructor(bytes: Uint8Array, layout: CsvLayout, rate_Hz: number | null) {
    this.#walker = new RowWalker(bytes);
    this.#layout = layout;
    this.#rate_Hz = rate_Hz;
    this.#width = layout.names.length;
    let most = 1;
    for (let at = bytes.indexOf(10); at >= 0; at = bytes.indexOf(10, at + 1)) most++;
    // A usable row has at least a byte a column, so rubbish cannot ask for more memory than a few times its size.
    most = Math.min(most, Math.ceil(bytes.length / this.#width) + 1);
    if (most * this.#width > mostCells) {
      throw new DataError(
        `found up to ${most} rows of ${this.#width} columns; at most ${mostCells} cells are allowed, so cut the file into parts`,
      );
    }
    this.#columns = layout.names.map(() => new Float64Array(most));
    this.#missing = layout.names.map(() => new Uint8Array(most));
    this.#time_s = new Float64Array(most);
    this.#lines = new Int32Array(most);
    this.#ends = new Int32Array(this.#width + 1);
  }

  read(): CsvTable {
    const { timeColumn, headerRows } = this.#layout;
    const walker = this.#walker;
    for (let i = 0; i < headerRows && walker.next(); ) {
      // Rows that are no text were not among those the layout was found from.
      if (walker.spoilt === null) i++;
      else this.#refuse(walker.line, walker.spoilt);
    }
    for (let slot = 0; walker.next(); slot++) {
      const cells = this.#cells();
      if (cells === null) continue;
      // A fixed rate goes on counting through rows that cannot be used.
      const time_s = timeColumn < 0 ? slot / (this.#rate_Hz ?? 1) : this.#boundedTime(cells);
      if (time_s !== null && this.#takeValues(cells)) this.#takeTime(time_s);
    }
    return this.#finish();
  }

  /** Finds the cells of the row: an array of texts where there are quotes, else true with their ends in `#ends`. */
  #cells(): string[] | true | null {
    const walker = this.#walker;
    const { delimiter } = this.#layout;
    if (walker.spoilt !== null) return this.#refuse(walker.line, walker.spoilt);
    if (walker.isTorn) return this.#refuse(walker.line, 'a quote is never closed');
    let cells: string[] | true = true;
    let count: number;
    if (walker.hasQuotes || delimiter === ' ') {
      cells = splitRow(walker.text(), delimiter);
      count = cells.length;
      if (count === this.#width + 1 && cells[count - 1] === '') count--;
    } else {
      count = this.#findEnds(delimiter.charCodeAt(0));
    }
    if (count === this.#width) return cells;
    return this.#refuse(walker.line, `${count} cells instead of ${this.#width}`);
  }

  #findEnds(mark: number): number {
    const { bytes, from, to } = this.#walker;
    let count = 0;
    for (let at = from; at < to; at++) {
      if (bytes[at] !== mark) continue;
      if (count < this.#width) this.#ends[count] = at;
      count++;
    }
    // A delimiter at the end of the row opens no cell of its own, unless the row is one short without it.
    if (count === this.#width && bytes[to - 1] === mark) return count;
    if (count < this.#width) this.#ends[count] = to;
    return count + 1;
  }

  #cellText(cells: string[] | true, column: number): string {
    if (cells !== true) return cells[column];
    const { bytes, from } = this.#walker;
    const start = column === 0 ? from : this.#ends[column - 1] + 1;
    return Buffer.from(bytes.buffer, bytes.byteOffset + start, this.#ends[column] - start)
      .toString('utf8')
      .trim();
  }

  #number(cells: string[] | true, column: number): number {
    const { hasDecimalComma } = this.#layout;
    if (cells !== true) return parseText(cells[column], hasDecimalComma);
    const from = column === 0 ? this.#walker.from : this.#ends[column - 1] + 1;
    return parseNumber(this.#walker.bytes, from, this.#ends[column], hasDecimalComma);
  }

  #boundedTime(cells: string[] | true): number | null {
    const time_s = this.#time(cells);
    if (time_s === null || Math.abs(time_s) <= longest_s) return time_s;
    const text = this.#cellText(cells, this.#layout.timeColumn).slice(0, 40);
    return this.#refuse(this.#walker.line, `the time ${JSON.stringify(text)} is years away from the others`);
  }

  /** The row's time in s from the origin; null when the row was refused for it. */
  #time(cells: string[] | true): number | null {
    const { timeColumn, timeUnit_s } = this.#layout;
    if (this.#origin === 0n && this.#rows > 0 && cells === true) {
      const value = this.#number(cells, timeColumn);
      if (!Number.isNaN(value)) return value * timeUnit_s;
    }
    const { dateColumn } = this.#layout;
    const clock = this.#cellText(cells, timeColumn);
    const text = dateColumn < 0 ? clock : `${this.#cellText(cells, dateColumn)} ${clock}`.trim();
    const instant = parseInstant(text);
    if (instant === null) {
      return this.#refuse(this.#walker.line, `the time is ${text === '' ? 'missing' : JSON.stringify(text)}`);
    }
    if (this.#origin === null) {
      const isLarge = Math.abs(Number(instant.whole)) * timeUnit_s >= largeTime_s;
      this.#origin = isLarge ? instant.whole : 0n;
    }
    const number = this.#origin === 0n ? this.#number(cells, timeColumn) : Number.NaN;
    if (!Number.isNaN(number)) return number * timeUnit_s;
    const time_s = (Number(instant.whole - this.#origin) + instant.fraction) * timeUnit_s;
    if (!instant.isTimeOfDay) return time_s;
    const last_s = this.#rows > 0 ? this.#time_s[this.#rows - 1] : time_s;
    if (time_s + this.#day_s < last_s - 43_200) this.#day_s += 86_400;
    return time_s + this.#day_s;
  }

  #takeTime(time_s: number): void {
    const row = this.#rows;
    const last_s = row > 0 ? this.#time_s[row - 1] : Number.NEGATIVE_INFINITY;
    if (time_s < last_s) {
      const isSpike = row === 1 || time_s > this.#time_s[row - 2];
      if (!isSpike) {
        this.#refuse(this.#walker.line, `time goes back by ${(last_s - time_s).toPrecision(3)} s`);
        return;
      }
      // The row before was the wrong one, or every row after a single wild time would be refused.
      this.#refuse(
        this.#lines[row - 1],
        `time runs ahead of the next row by ${(last_s - time_s).toPrecision(3)} s`,
      );
      this.#moveRow(row, row - 1);
      this.#rows--;
    } else if (time_s === last_s) {
      this.#standing++;
    }
    this.#time_s[this.#rows] = time_s;
    this.#lines[this.#rows] = this.#walker.line;
    this.#rows++;
  }

  #moveRow(from: number, to: number): void {
    for (let column = 0; column < this.#width; column++) {
      this.#columns[column][to] = this.#columns[column][from];
      this.#missing[column][to] = this.#missing[column][from];
    }
    this.#time_s[to] = this.#time_s[from];
    this.#lines[to] = this.#lines[from];
  }

  /** Writes the values of the row; false when the row was refused because none of them is a number. */
  #takeValues(cells: string[] | true): boolean {
    const { timeColumn, dateColumn, hasDecimalComma, names } = this.#layout;
    const row = this.#rows;
    let numbers = 0;
    for (let column = 0; column < this.#width; column++) {
      if (column === timeColumn || column === dateColumn) continue;
      const value = this.#number(cells, column);
      const isMark = Math.abs(value) >= markFrom;
      const isNumber = !Number.isNaN(value) && !isMark;
      if (isNumber) {
        numbers++;
      } else if (!isMark) {
        const text = this.#cellText(cells, column);
        if (isMisread(text, hasDecimalComma)) {
          throw new DataError(
            `line ${this.#walker.line}, column ${names[column]}: ${JSON.stringify(text)} has marks between thousands or another decimal mark than the ${hasDecimalComma ? 'comma' : 'point'} used elsewhere; write plain numbers, or give the decimal mark`,
          );
        }
      }
      this.#missing[column][row] = isNumber ? 0 : 1;
      this.#columns[column][row] = isNumber ? value : row > 0 ? this.#columns[column][row - 1] : Number.NaN;
    }
    if (numbers > 0 || this.#width === 1) return true;
    this.#refuse(this.#walker.line, 'no number in the row');
    return false;
  }

  #refuse(line: number, why: string): null {
    this.#rowsRefused++;
    if (this.#refused.length < mostNamed) this.#refused.push({ line, why });
    return null;
  }

  /** Times that never move, or whose digits a wild first time has used up, cannot be repaired. */
  #requireRising(): void {
    for (let row = 1; row < this.#rows; row++) {
      if (this.#time_s[row] > this.#time_s[row - 1]) continue;
      throw new DataError(
        `line ${this.#lines[row]}: the time does not rise; correct the time column, or give a rate`,
      );
    }
  }

  #finish(): CsvTable {
    const {
      names,
      units,
      timeColumn,
      dateColumn,
      timeUnit_s,
      timeDecimals,
      preamble,
      delimiter,
      hasDecimalComma,
      headerRows,
    } = this.#layout;
    let timeFrom: CsvTable['timeFrom'] = timeColumn < 0 ? 'rate' : 'column';
    let resolution_s = timeColumn < 0 ? 0 : 10 ** -timeDecimals * timeUnit_s;
    if (this.#standing > coarseClock_ratio * this.#rows) {
      timeFrom = 'column-spread';
      resolution_s = spreadStandingTimes(this.#time_s, this.#rows);
    } else if (this.#standing > 0) {
      const dropped = dropStandingTimes(this.#time_s, this.#lines, this.#rows, (from, to) =>
        this.#moveRow(from, to),
      );
      for (const { line, why } of dropped) this.#refuse(line, why);
      this.#rows -= dropped.length;
    }
    const rows = this.#rows;
    if (rows < 2) {
      const first = this.#refused.map(({ line, why }) => `line ${line}: ${why}`).slice(0, 3);
      throw new DataError(
        `${rows} usable rows, at least 2 are needed${first.length > 0 ? `; refused were ${first.join('; ')}` : ''}`,
      );
    }
    this.#requireRising();
    const values = new Map<string, Float64Array>();
    const missing = new Map<string, Uint8Array>();
    const skippedColumns: string[] = [];
    const kept: number[] = [];
    let cellsMissing = 0;
    for (let column = 0; column < this.#width; column++) {
      if (column === timeColumn || column === dateColumn) continue;
      const marks = this.#missing[column].slice(0, rows);
      const count = marks.reduce((sum, mark) => sum + mark, 0);
      if (count === rows) {
        skippedColumns.push(names[column]);
        continue;
      }
      const numbers = this.#columns[column].slice(0, rows);
      // In front of the first number there is no last one to keep.
      if (count > 0) numbers.fill(numbers[marks.indexOf(0)], 0, marks.indexOf(0));
      values.set(names[column], numbers);
      if (count > 0) missing.set(names[column], marks);
      cellsMissing += count;
      kept.push(column);
    }
    const time_s = this.#time_s.slice(0, rows);
    return {
      columns: kept.map((column) => names[column]),
      units: kept.map((column) => units[column]),
      time_s,
      origin_s: Number(this.#origin ?? 0n) * timeUnit_s,
      interval_s: typicalStep_s(time_s),
      resolution_s,
      timeFrom,
      values,
      missing,
      skippedColumns,
      metadata: [...this.#walker.comments, ...preamble],
      rowsRefused: this.#rowsRefused,
      cellsMissing,
      refused: this.#refused.toSorted((a, b) => a.line - b.line),
      delimiter,
      decimalComma: hasDecimalComma,
      headerRows,
    };
  }
}
