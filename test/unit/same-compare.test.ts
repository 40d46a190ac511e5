import { expect, test } from 'vitest';
import { compareDumps } from '../same/compare.ts';

const result = {
  value: 0.1,
  low: 0.08,
  high: 0.13,
  method: 'a line',
  budget: [{ source: 'noise', share: 1, effect: 0.01 }],
};
const leg = {
  results: { surge: result, peak: { value: null, reason: 'clipped' } },
  flags: [{ code: 'clipped', text: 'a' }],
};
type Leg = typeof leg;
const dump = (change: (leg: Leg) => unknown) =>
  `${JSON.stringify({ name: 'one', verdict: { legs: [change(leg)] } })}\n`;
const before = dump((same) => same);
const differences = (change: (copy: Leg) => void) =>
  compareDumps(
    before,
    dump((same) => {
      const copy = structuredClone(same);
      change(copy);
      return copy;
    }),
  ).differences;

test('texts and the last digits of an interval do not count', () => {
  expect(
    differences(({ results, flags }) => {
      results.surge.method = 'another line';
      flags[0].text = 'b';
      results.surge.low *= 1 + 1e-13;
      results.surge.budget[0].effect *= 1 - 1e-13;
    }),
  ).toEqual([]);
});

test.each<[string, (copy: Leg) => void]>([
  ['the last digit of a value', ({ results }) => (results.surge.value = 0.10000000000000002)],
  ['an interval beyond rounding', ({ results }) => (results.surge.high *= 1 + 1e-11)],
  ['a budget beyond rounding', ({ results }) => (results.surge.budget[0].share = 0.99)],
  ['a source more', ({ results }) => results.surge.budget.push({ source: 'method', share: 0, effect: 0 })],
  ['a flag', ({ flags }) => (flags[0].code = 'no-meter')],
  ['a reason', ({ results }) => (results.peak.reason = 'late')],
])('%s does', (_name, change) => {
  expect(differences(change)).toHaveLength(1);
});

test('a verdict that one side lacks is a difference', () => {
  expect(compareDumps(before, before + before.replace('one', 'two')).differences).toHaveLength(1);
});
