import { execFileSync } from 'node:child_process';
import { mkdtempSync, rmSync, truncateSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, describe, expect, it } from 'vitest';
import { DataError } from '../../../drivers/data-error.ts';
import type { CsvSpec } from '../../../drivers/line-spec.ts';
import { anyCsv, readCsv, readCsvFile } from '../../../drivers/recording/csv.ts';

function read(text: string, spec: Partial<CsvSpec> = {}) {
  return readCsv(Buffer.from(text), { ...anyCsv, ...spec });
}

function column(text: string, name: string, spec: Partial<CsvSpec> = {}): number[] {
  return Array.from(read(text, spec).values.get(name) ?? []);
}

describe('what is found in the file', () => {
  it('reads commas with a header', () => {
    const table = read('time_s,p_outlet_bar,v_m_per_s,run\n0.5,1.25,2,1\n0.6,-1.5e1,2.5,0\n');
    expect(table.columns).toEqual(['p_outlet_bar', 'v_m_per_s', 'run']);
    expect(table.units).toEqual(['bar', 'm/s', '']);
    expect(Array.from(table.time_s)).toEqual([0.5, 0.6]);
    expect(Array.from(table.values.get('p_outlet_bar')!)).toEqual([1.25, -15]);
    expect(table).toMatchObject({
      delimiter: ',',
      decimalComma: false,
      headerRows: 1,
      resolution_s: 0.1,
      origin_s: 0,
    });
  });

  it('reads semicolons with decimal commas, integers first', () => {
    const table = read('Zeit;Druck\r\n0;4\r\n0,001;4,25\r\n0,002;-0,5\r\n');
    expect(table).toMatchObject({ delimiter: ';', decimalComma: true, timeFrom: 'column' });
    expect(Array.from(table.time_s)).toEqual([0, 0.001, 0.002]);
    expect(Array.from(table.values.get('Druck')!)).toEqual([4, 4.25, -0.5]);
  });

  it.each([
    ['tabs', 't\tp\n0\t1\n1\t2\n'],
    ['bars', 't|p\n0|1\n1|2\n'],
    ['blanks', '   t     p\n   0     1\n   1     2\n'],
    ['blanks round commas', 't , p\n 0 , 1 \n 1 , 2 \n'],
    ['a delimiter at every end', 't,p,\n0,1,\n1,2,\n'],
    ['a delimiter at the data ends only', 't,p\n0,1,\n1,2,\n'],
    ['CR LF', 't,p\r\n0,1\r\n1,2\r\n'],
    ['CR alone', 't,p\r0,1\r1,2\r'],
    ['no last line end', 't,p\n0,1\n1,2'],
    ['a byte order mark', '\ufefft,p\n0,1\n1,2\n'],
    ['quotes', '"t","p"\n"0","1"\n"1","2"\n'],
    ['empty lines', '\n\nt,p\n\n0,1\n\n1,2\n\n'],
  ])('reads %s', (_, text) => {
    expect(column(text, 'p')).toEqual([1, 2]);
  });

  it('reads UTF-16 with its mark and headers in Latin-1', () => {
    expect(readCsv(Buffer.from('\ufefft;p\n0;1\n1;2\n', 'utf16le')).columns).toEqual(['p']);
    expect(readCsv(Buffer.from('t;Temp [°C]\n0;1\n1;2\n', 'latin1')).units).toEqual(['°C']);
  });

  it('keeps comments and what stands before the header, and finds units in a row of their own', () => {
    const table = read(
      '# loop A\nRecorder 7\nSite;west\ntime;p;run\n[ms];[bar];\n0;1,5;1\n10;1,6;1\n# end\n20;1,7;0\n',
    );
    expect(table.metadata).toEqual(['loop A', 'end', 'Recorder 7', 'Site;west']);
    expect(table.units).toEqual(['bar', '']);
    expect(Array.from(table.time_s)).toEqual([0, 0.01, 0.02]);
  });

  it.each([[{}], [{ headerRows: 3 }]])(
    'takes a full row above names with units in brackets for no names: %j',
    (spec) => {
      const table = read(
        'Station,West,Recorder 7\nSampled,1000 Hz,2026\ntime [ms],outlet [bar],meter (m/s)\n0,1,2\n10,3,4\n20,5,6\n',
        spec,
      );
      expect(table.columns).toEqual(['outlet [bar]', 'meter (m/s)']);
      expect(table.units).toEqual(['bar', 'm/s']);
      expect(Array.from(table.time_s)).toEqual([0, 0.01, 0.02]);
      expect(table.metadata).toEqual(['Station,West,Recorder 7', 'Sampled,1000 Hz,2026']);
    },
  );

  it('takes a preamble of name and value for no data', () => {
    expect(read('Rate;1000\nGain;2\nt;p\n0;1\n1;2\n2;3\n3;4\n4;5\n5;6\n').columns).toEqual(['p']);
  });

  it('reads quoted names with delimiters, doubled quotes and line ends', () => {
    const table = read('t,"p, ""raw""\n(bar)"\n0,1\n1,2\n');
    expect(table.columns).toEqual(['p, "raw"\n(bar)']);
    expect(table.units).toEqual(['bar']);
  });

  it('names columns without header and makes equal names different', () => {
    expect(read('0.0,5\n0.1,6\n0.2,7\n').columns).toEqual(['column2']);
    expect(read('t,p,p\n0,1,2\n1,3,4\n').columns).toEqual(['p', 'p (2)']);
  });

  it('leaves out a column of words and reads contacts in words', () => {
    const table = read('t,run,note\n0,TRUE,ok\n1,off,ok\n');
    expect(table.skippedColumns).toEqual(['note']);
    expect(Array.from(table.values.get('run')!)).toEqual([1, 0]);
  });
});

describe('time', () => {
  it.each([
    [
      'ISO 8601',
      'Date,Time,p',
      '2026-03-31,23:59:59.5,1',
      '2026-04-01,00:00:00.0,2',
      '2026-04-01,00:00:00.5,3',
    ],
    [
      'day.month.year',
      'Datum;Uhrzeit;p',
      '31.03.2026;23:59:59,5;1',
      '01.04.2026;00:00:00,0;2',
      '01.04.2026;00:00:00,5;3',
    ],
    [
      'halves of the day',
      'p,date,clock',
      '1,3/31/2026,11:59:59.5 PM',
      '2,4/1/2026,12:00:00.0 AM',
      '3,4/1/2026,12:00:00.5 AM',
    ],
    [
      'blanks between',
      'date time p',
      '2026-03-31 23:59:59.5 1',
      '2026-04-01 00:00:00.0 2',
      '2026-04-01 00:00:00.5 3',
    ],
    [
      'a year that no order of days is known of',
      'date,time,p',
      '3/4/2026,23:59:59.5,1',
      '4/4/2026,00:00:00.0,2',
      '4/4/2026,00:00:00.5,3',
    ],
  ])('reads date and time of day in two columns, %s', (_, ...rows) => {
    const table = read(`${rows.join('\n')}\n`);
    expect(table.columns).toEqual(['p']);
    expect(Array.from(table.time_s, (at_s) => at_s - table.time_s[0]!)).toEqual([0, 0.5, 1]);
    expect(Array.from(table.values.get('p')!)).toEqual([1, 2, 3]);
  });

  it('reads two columns whichever of them the rig file names, and days between', () => {
    const text = 'day,hour,p\n2026-03-31,10:00:00,1\n2026-04-02,10:00:00,2\n2026-04-04,10:00:00,3\n';
    for (const timeColumn of ['day', 'hour']) {
      const { time_s } = read(text, { timeColumn });
      expect(Array.from(time_s, (at_s) => at_s - time_s[0]!)).toEqual([0, 172_800, 345_600]);
    }
  });

  it.each([
    ['with a date', '3/31/2026 11:59:59.500 PM', '4/1/2026 12:00:00.000 AM', '4/1/2026 12:00:00.500 AM'],
    [
      'with a comma behind it',
      '3/31/2026, 12:59:59.5 p.m.',
      '3/31/2026, 1:00:00.0 p.m.',
      '3/31/2026, 1:00:00.5 p.m.',
    ],
    ['without one', '11:59:59.5 AM', '12:00:00.0 PM', '12:00:00.5 PM'],
  ])('reads month/day/year and halves of the day, %s', (_, ...times) => {
    const { time_s } = read(`time;p\n${times.map((time, k) => `${time};${k}`).join('\n')}\n`);
    expect(Array.from(time_s, (at_s) => at_s - time_s[0]!)).toEqual([0, 0.5, 1]);
  });

  it('does not guess which of two numbers before a year is the month', () => {
    expect(() => read('time;p\n3/4/2026 13:00:00;1\n3/4/2026 13:00:01;2\n')).toThrow(DataError);
    expect(() => read('time;p\n13:00:00 PM;1\n13:00:01 PM;2\n')).toThrow(DataError);
  });

  it.each([
    ['time_ms', 1e-3],
    ['time (ms)', 1e-3],
    ['Zeit/us', 1e-6],
    ['timestamp [ns]', 1e-9],
    ['t', 1],
    ['elapsed (min)', 60],
  ])('takes the unit from %s', (name, unit_s) => {
    expect(read(`${name},p\n2,1\n4,2\n`).time_s[1]).toBeCloseTo(4 * unit_s, 12);
  });

  it('keeps every digit of counts from 1970 in nanoseconds', () => {
    const table = read('timestamp,p\n1763000000123456789,1\n1763000000123656789,2\n1763000000123856790,3\n');
    expect(table.origin_s).toBeCloseTo(1763000000.1234567, 6);
    expect(Array.from(table.time_s, (time_s) => Math.round(time_s * 1e9))).toEqual([0, 200_000, 400_001]);
  });

  it('reads dates and times of day, over midnight', () => {
    const iso = read('time,p\n2026-11-25T10:00:00.500Z,1\n2026-11-25T10:00:00.750Z,2\n');
    expect(iso.origin_s).toBe(Date.UTC(2026, 10, 25, 10) / 1000);
    expect(Array.from(iso.time_s)).toEqual([0.5, 0.75]);
    expect(Array.from(read('Zeit;p\n23:59:59,5;1\n00:00:00,5;2\n').time_s)).toEqual([86399.5, 86400.5]);
    expect(Array.from(read('Zeit;p\n25.11.2026 10:00:01;1,5\n25.11.2026 10:00:02;2,5\n').time_s)).toEqual([
      0, 1,
    ]);
  });

  it('counts at a given rate, through rows that cannot be used', () => {
    const table = read('p,q\n1,1\n2\n3,3\n4,4\n', { rate_Hz: 100 });
    expect(table.timeFrom).toBe('rate');
    expect(Array.from(table.time_s)).toEqual([0, 0.02, 0.03]);
  });

  it('asks for a rate where no column is time, a row number least of all', () => {
    expect(() => read('n,p\n1,5\n2,6\n3,7\n')).toThrow(/no time column.*n, p.*rate/);
    expect(() => read('t,p\n0,1\n1,2\n', { timeColumn: 'zeit' })).toThrow(/"zeit".*there are: t, p/);
  });

  it('takes an evenly rising first column for time', () => {
    expect(Array.from(read('x,p\n0.00,5\n0.01,6\n0.02,7\n').time_s)).toEqual([0, 0.01, 0.02]);
  });

  it('spreads times of a clock coarser than the sampling', () => {
    const table = read('t,p\n0,1\n0,2\n1,3\n1,4\n2,5\n2,6\n');
    expect(table).toMatchObject({ timeFrom: 'column-spread', resolution_s: 1, rowsRefused: 0 });
    expect(Array.from(table.time_s)).toEqual([0, 0.5, 1, 1.5, 2, 2.5]);
  });
});

describe('what is refused', () => {
  const rows = (from: number, count: number): string =>
    Array.from({ length: count }, (_, i) => `${(from + i) / 100},${i},7\n`).join('');

  it('names rows with too few, too many or no numbers, or without a time', () => {
    const table = read(`t,p,q\n${rows(0, 20)}0.20,1\n0.21,1,2,3\n,1,2\n0.23,x,y\n0.24,1,1\n`);
    expect(table.refused).toEqual([
      { line: 22, why: '2 cells instead of 3' },
      { line: 23, why: '4 cells instead of 3' },
      { line: 24, why: 'the time is missing' },
      { line: 25, why: 'no number in the row' },
    ]);
    expect(table.rowsRefused).toBe(4);
    expect(table.time_s.length).toBe(21);
  });

  it('refuses times that stand or go back, and only the wild one of a jump', () => {
    const table = read(`t,p,q\n${rows(0, 30)}0.29,5,5\n0.30,1,1\n99,2,2\n0.31,3,3\n0.30,4,4\n0.32,5,5\n`);
    expect(table.refused).toEqual([
      { line: 32, why: 'the time is that of the row before' },
      { line: 34, why: 'time runs ahead of the next row by 98.7 s' },
      { line: 36, why: 'time goes back by 0.0100 s' },
    ]);
    expect(Array.from(table.time_s.slice(-3))).toEqual([0.3, 0.31, 0.32]);
    expect(Array.from(table.values.get('p')!.slice(-3))).toEqual([1, 3, 5]);
  });

  it('names twenty rows and counts them all', () => {
    const table = read(`t,p,q\n${rows(0, 40)}${'bad\n'.repeat(30)}${rows(40, 40)}`);
    expect(table.refused.length).toBe(20);
    expect(table.rowsRefused).toBe(30);
  });

  it('keeps the last value of a missing cell and marks it', () => {
    const table = read('t,p,q\n0,,1\n1,2,NaN\n2,n/a,3\n3,4,inf\n');
    expect(Array.from(table.values.get('p')!)).toEqual([2, 2, 2, 4]);
    expect(Array.from(table.missing.get('p')!)).toEqual([1, 0, 1, 0]);
    expect(Array.from(table.values.get('q')!)).toEqual([1, 1, 3, 3]);
    expect(table.cellsMissing).toBe(4);
  });

  it.each([
    ['thousands with points', 't;p\n0;999,5\n1;1.234,5\n', /line 3, column p: "1.234,5".*thousands/],
    ['thousands with commas', 't;p\n0;999.5\n1;1,234.5\n', /line 3, column p: "1,234.5"/],
    ['quoted thousands', 't,p\n0,999.5\n1,"1,234.5"\n', /line 3, column p: "1,234.5"/],
    ['thousands with apostrophes', "t;p\n0;1.5\n1;12'345.5\n", /line 3, column p/],
    ['two decimal marks', 't;p\n0;1,5\n1;1,6\n2;1.7\n', /line 4, column p: "1.7"/],
  ])('ends at %s', (_, text, message) => {
    expect(() => read(text)).toThrow(message);
  });

  it('survives a quote that never closes', () => {
    const table = read(`t,p,q\n${rows(0, 20)}0.2,"1,2\n${rows(21, 2000)}`);
    expect(table.refused).toEqual([{ line: 22, why: 'a quote is never closed' }]);
    expect(table.time_s.length).toBe(2020);
  });

  it.each([
    ['nothing', ''],
    ['only comments', '# a\n# b\n'],
    ['words', 'the quick\nbrown fox\n'],
    ['a header alone', 't,p\n'],
    ['one row', 't,p\n0,1\n'],
    ['zeros', '\0\0\0\0'],
  ])('says what is wrong with %s', (_, text) => {
    expect(() => read(text)).toThrow(DataError);
  });

  it('names the file', () => {
    expect(() => readCsvFile('/nowhere/loop.csv')).toThrow(/^\/nowhere\/loop.csv: cannot be read/);
  });
});

describe('what no recording holds', () => {
  const rows = ['t,p', ...Array.from({ length: 20 }, (_, i) => `${i / 10},${i}`)];
  const withRow = (row: string) => read([...rows.slice(0, 11), row, ...rows.slice(11)].join('\n'));
  const long = `1.05,${'1'.repeat(70_000)}`;

  it.each([
    [
      'a row of NULs, as a power cut leaves it',
      '\0'.repeat(40),
      '40 NUL bytes, as a write that was cut off leaves them',
    ],
    ['a NUL in a row of numbers', '0.95,1\0', '1 NUL byte, as a write that was cut off leaves them'],
    ['NULs and blanks', ' \0 \0 ', '2 NUL bytes, as a write that was cut off leaves them'],
    ['a row that never seems to end', long, '70005 bytes long, at most 65536 are allowed'],
    [
      'a time of many digits',
      `${'9'.repeat(400)},1`,
      `the time "${'9'.repeat(40)}" is years away from the others`,
    ],
    ['a time years away', '5e9,1', 'the time "5e9" is years away from the others'],
  ])('names and counts %s', (_, row, why) => {
    const table = withRow(row);
    expect(table.refused).toEqual([{ line: 12, why }]);
    expect(table.rowsRefused).toBe(1);
    expect(table.time_s.length).toBe(20);
  });

  it('takes the marks for infinity and no number for what they are', () => {
    const table = read('t,p,q\n0,1,1\n1,9.91E+37,2\n2,-1e308,3\n3,9.8E37,4\n');
    expect(Array.from(table.missing.get('p')!)).toEqual([0, 1, 1, 0]);
    expect(Array.from(table.values.get('p')!)).toEqual([1, 1, 1, 9.8e37]);
    expect(table.cellsMissing).toBe(2);
  });

  it('says what a file without line ends is', () => {
    expect(() => read('1'.repeat(200_000))).toThrow(
      'line 1: 200000 bytes long, at most 65536 are allowed; no other row',
    );
  });

  it('does not lose the header below a spoilt row', () => {
    const table = read([long, ...rows].join('\n'));
    expect([table.columns, table.time_s.length, table.refused[0]?.line]).toEqual([['p'], 20, 1]);
  });

  it('keeps only the begin of an endless comment', () => {
    expect(read([`# ${'x'.repeat(1e6)}`, ...rows].join('\n')).metadata[0]).toHaveLength(4095);
  });

  it('refuses more cells than can be held before it takes the memory', () => {
    const wide = `t${',p'.repeat(999)}\n`;
    const bytes = Buffer.alloc(70e6, `0${',1'.repeat(999)}\n`);
    bytes.write(wide);
    expect(() => readCsv(bytes)).toThrow(
      /rows of 1000 columns; at most 33554432 cells are allowed, so cut the file/,
    );
  });
});

describe('readCsvFile, what is no file or too large', () => {
  const folder = mkdtempSync(join(tmpdir(), 'csv-'));
  afterAll(() => rmSync(folder, { recursive: true }));

  it('refuses a pipe that nobody writes, a device and a folder', () => {
    const pipe = join(folder, 'pipe.csv');
    execFileSync('mkfifo', [pipe]);
    expect(() => readCsvFile(pipe)).toThrow(`${pipe}: this is a named pipe; a file is allowed`);
    expect(() => readCsvFile('/dev/zero')).toThrow('/dev/zero: this is a device; a file is allowed');
    expect(() => readCsvFile(folder)).toThrow(`${folder}: this is a folder; a file is allowed`);
  });

  it('refuses a gigabyte in one line, with its row, without reading it', () => {
    const path = join(folder, 'huge.csv');
    writeFileSync(path, '1,'.repeat(50_000));
    truncateSync(path, 1e9);
    expect(() => readCsvFile(path)).toThrow(
      `${path}: found 1000000000 bytes; a file of at most 512 MB is allowed; line 1 does not end within 65536 bytes, so this is no CSV`,
    );
  });
});
