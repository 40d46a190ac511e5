import { expect, test } from 'vitest';
import { resultPhrase } from '../../../dashboard/format/result.ts';
import { missingWords } from '../../../dashboard/parts/trend-chart.tsx';

const measured = { unit: 'Pa', method: '', from_s: null, to_s: null };

test('a lower bound shows its recorded end, an upper one the other, and a lower bound of nothing its upper end', () => {
  const least = { ...measured, value: 3e5, low: 2.4e5, high: 9e5, bound: 'lower' as const };
  expect(resultPhrase('surge', least, 'si')).toMatch(/^≥ 2\.4/);
  expect(resultPhrase('minimum', { ...least, bound: 'upper' }, 'si')).toMatch(/^≤ 9/);
  expect(resultPhrase('surge', { ...least, low: 0 }, 'si')).toMatch(/^≤ 9/);
  expect(resultPhrase('surge', { ...measured, value: 3e5, low: 2.9e5, high: 3.1e5 }, 'si')).toMatch(/^3\.0/);
});

test('a second of a trend says how many samples it lacks', () => {
  const row = (start_ms: number, count: number) =>
    [start_ms, 0, 1, 0.5, 0.1, count, 0] as Parameters<typeof missingWords>[0];
  const rows = [row(0, 300), row(1000, 1000), row(2000, 960), row(3000, 999), row(4000, 1000), row(5000, 20)];
  expect(rows.map((each) => missingWords(each, rows))).toEqual(['', '', '; 39 samples missing', '', '', '']);
});
