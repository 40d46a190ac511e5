import fc from 'fast-check';
import { expect, it } from 'vitest';
import { DataError } from '../../drivers/data-error.ts';
import { anyCsv, readCsv } from '../../drivers/recording/csv.ts';
import { parseNumber } from '../../drivers/recording/csv-cell.ts';

const bitten = fc.array(
  fc.constantFrom('1', '-', '.', ',', ';', '\n', '"', 't', ' ', '\t', 'e', ':', '#', '2026-01-01'),
  {
    maxLength: 60,
  },
);

it('reads rubbish or says why not, but never fails otherwise', () => {
  const rubbish = fc.oneof(
    fc.uint8Array({ maxLength: 300 }),
    bitten.map((parts) => Buffer.from(parts.join(''))),
    bitten.map((parts) => Buffer.from(`t;p\n0;1\n1;2\n${parts.join('')}\n3;4\n`)),
  );
  fc.assert(
    fc.property(rubbish, fc.option(fc.constant(10), { nil: null }), (bytes, rate_Hz) => {
      try {
        const { columns, time_s, values } = readCsv(bytes, { ...anyCsv, rate_Hz });
        for (let i = 1; i < time_s.length; i++) expect(time_s[i]).toBeGreaterThan(time_s[i - 1]);
        for (const name of columns) expect(values.get(name)!.every(Number.isFinite)).toBe(true);
      } catch (error) {
        expect(error).toBeInstanceOf(DataError);
      }
    }),
    { numRuns: 5000 },
  );
});

it('rounds numbers as the language does', () => {
  fc.assert(
    fc.property(
      fc.oneof(
        fc.double({ noNaN: true, noDefaultInfinity: true }).map(String),
        fc.tuple(fc.integer(), fc.nat()).map(([whole, rest]) => `${whole}.${rest}`),
        fc.tuple(fc.bigInt(), fc.nat()).map(([whole, rest]) => `${whole}.${rest}`),
      ),
      (text) => {
        const bytes = Buffer.from(` ${text} `);
        expect(parseNumber(bytes, 0, bytes.length, false)).toBe(Number(text));
      },
    ),
    { numRuns: 2000 },
  );
});

it('finds again what was written, whatever the delimiter and the decimal mark', () => {
  const dialect = fc.constantFrom(
    [',', '.'],
    [';', '.'],
    [';', ','],
    ['\t', '.'],
    ['\t', ','],
    ['|', ','],
    [' ', '.'],
  );
  const numbers = fc.array(fc.integer({ min: -99_999, max: 99_999 }), { minLength: 3, maxLength: 40 });
  fc.assert(
    fc.property(dialect, numbers, fc.constantFrom('\n', '\r\n'), ([delimiter, mark], sent, end) => {
      const write = (value: number, digits: number): string => value.toFixed(digits).replace('.', mark);
      const lines = sent.map((value, i) => [write(i / 1000, 3), write(value / 100, 2)].join(delimiter));
      const table = readCsv(Buffer.from([['time_s', 'p'].join(delimiter), ...lines, ''].join(end)));
      expect(Array.from(table.values.get('p')!)).toEqual(sent.map((value) => value / 100));
      expect(Array.from(table.time_s)).toEqual(sent.map((_, i) => i / 1000));
    }),
    { numRuns: 500 },
  );
});
