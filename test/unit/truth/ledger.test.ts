import { expect, test } from 'vitest';
import { subsetSeeds } from '../../golden/subset-seeds.ts';
import { burnt, freshSeed, type LookedAt, overlapping, readLedger } from '../../truth/ledger.ts';

const ledger: LookedAt[] = [
  { first: 2_000_000, last: 2_000_399, day: '2026-11-30', analysis: 'one', what: 'hold-out' },
];

test('a set that was looked at is no hold-out of another analysis', () => {
  const again = { first: 2_000_000, last: 2_000_399, analysis: 'two' };
  expect(burnt(ledger, again)).toMatch(
    /^seeds 2000000 to 2000399 are no hold-out: .* looked at on 2026-11-30/,
  );
  expect(burnt(ledger, { ...again, first: 2_000_399, last: 2_000_500, analysis: 'one' })).not.toBeNull();
});

test('the same set goes on under the analysis that it was begun with', () => {
  expect(burnt(ledger, { first: 2_000_000, last: 2_000_999, analysis: 'one' })).toBeNull();
});

test('the next hold-out begins where nobody has looked', () => {
  expect(freshSeed(ledger, 2_000_000)).toBe(2_100_000);
  expect(freshSeed([], 2_000_000)).toBe(2_000_000);
});

test('no seed of the subset of every test run was ever looked at', () => {
  const { first, count } = subsetSeeds;
  expect(overlapping(readLedger(), { first, last: first + count - 1 })).toEqual([]);
});
