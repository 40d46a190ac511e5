/** The records of the independent model are those that why.md describes: content, span, noise, steps of the converter, contact. */
import { createHash } from 'node:crypto';
import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { independentRecords } from '../support/independent-records.ts';

const folder = new URL('records/', import.meta.url);
const page = readFileSync(new URL('why.md', folder), 'utf8');

test.each(independentRecords().map((entry) => [entry.file, entry] as const))('%s', (file, entry) => {
  const bytes = readFileSync(new URL(file, folder));
  const rows = bytes
    .toString()
    .trim()
    .split('\n')
    .slice(1)
    .map((row) => row.split(',').map(Number));
  const column = (k: number) => rows.map((row) => row[k]!);
  const [times, outlet, inlet, meter, tank, run] = [0, 1, 2, 3, 4, 5].map(column) as [
    number[],
    number[],
    number[],
    number[],
    number[],
    number[],
  ];
  const told = page.split('\n').find((line) => line.startsWith(`| \`${file}\``))!;
  const [, , count, from, to, sum] = told.split('|').map((cell) => cell.trim());
  expect(sum).toBe(`\`${createHash('sha256').update(bytes).digest('hex')}\``);
  expect([rows.length, times[0], times.at(-1)]).toEqual([Number(count), Number(from), Number(to)]);
  const trip_s = entry.truth.trip_s;
  expect(trip_s - times[0]!).toBeCloseTo(1.5, 1);
  expect(times.at(-1)! - trip_s).toBeCloseTo(3, 1);
  expect((times.at(-1)! - times[0]!) / (rows.length - 1)).toBeCloseTo(1 / entry.sample_rate_Hz, 6);

  const steady = times.findIndex((time_s) => time_s > trip_s - 0.02);
  for (const [values, sigma] of [
    [outlet, 0.01],
    [inlet, 0.01],
    [meter, 0.01],
    [tank, 0.006],
  ] as const) {
    // 150 samples at 100 a second know their scatter to a fifth.
    expect(Math.abs(noiseOf(values.slice(0, steady)) / sigma - 1)).toBeLessThan(0.25);
  }
  // 25 bar over 2^16; written with four decimals.
  for (const values of [outlet, inlet, tank]) {
    const off = values.map((bar) => Math.abs((bar * 2 ** 16) / 25 - Math.round((bar * 2 ** 16) / 25)));
    expect(Math.max(...off)).toBeLessThan(0.14);
  }
  const open = run.indexOf(0);
  expect(run.slice(open).every((level) => level === 0)).toBe(true);
  expect(times[open]! - trip_s - entry.contact_delay_s).toBeGreaterThanOrEqual(-1e-4);
  expect(times[open]! - trip_s - entry.contact_delay_s).toBeLessThan(1 / entry.sample_rate_Hz + 1e-4);
});

/** Standard deviation of white noise on a smooth line, from second differences, whose variance is six times as large. */
function noiseOf(values: readonly number[]): number {
  let sum = 0;
  for (let k = 1; k < values.length - 1; k++) sum += (values[k - 1]! - 2 * values[k]! + values[k + 1]!) ** 2;
  return Math.sqrt(sum / (values.length - 2) / 6);
}
