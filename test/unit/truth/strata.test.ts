import { describe, expect, test } from 'vitest';
import type { Judged } from '../../truth/statistics.ts';
import { binomialTail, cellOf, classShares, overWidth } from '../../truth/strata.ts';
import type { TripRow } from '../../truth/trip-rows.ts';

const place = { metric: 'surge', kind: 'spring', rate_Hz: 1000 } as const;

/** `inside` figures with an error of half their half-width, the others outside. */
function figures(inside: number, count: number): Judged[] {
  return Array.from({ length: count }, (_, k) =>
    k < inside ? { error: 0.5, low: -0.5, high: 1.5 } : { error: 2, low: 1, high: 3 },
  );
}

/** Exact sums of binomial terms in rational arithmetic (Python fractions). */
test.each([
  [85, 100, 0.013_297_18],
  [353, 400, 0.005_530_76],
  [360, 400, 0.086_578_18],
])('%d of %d inside at a true 92 %%', (inside, count, share) => {
  expect(binomialTail(inside, count, 0.92)).toBeCloseTo(share, 6);
});

describe('a cell', () => {
  test('misses below 92 % beyond chance, not within it', () => {
    expect(cellOf(place, figures(353 + 8, 409)).misses).toEqual(['inside 88.3 % < 90 %']);
    expect(cellOf(place, figures(1810, 2000)).misses).toEqual(['inside 90.5 % below 92 % beyond chance']);
    expect(cellOf(place, figures(364, 400)).misses).toEqual([]);
  });

  test('is as wide as one far miss in twenty makes it, on the side of the error', () => {
    expect(overWidth({ error: 1, low: -1, high: 1.5 })).toBe(0.5);
    expect(overWidth({ error: -1, low: -9, high: 0 })).toBe(1);
    const wide = Array.from({ length: 400 }, () => ({ error: 0.1, low: -0.9, high: 1.1 }));
    expect(cellOf(place, wide).misses).toEqual(['width 10.00 > 1.6']);
    const pooled = Array.from({ length: 400 }, () => ({ error: 0.7, low: -0.3, high: 1.7 }));
    expect(cellOf(place, pooled).misses).toEqual([]);
    expect(cellOf({ ...place, kind: 'sharp', rate_Hz: null }, pooled).misses).toEqual(['width 1.43 > 1.3']);
  });

  test('of few figures says nothing, and counts what was withheld', () => {
    const cell = cellOf(place, [...figures(0, 99), null, null]);
    expect(cell).toMatchObject({ count: 99, withheld: 2, misses: [] });
  });
});

test('more than a tenth unknown misses; a rate that is not adequate does not count', () => {
  const row = (severity: TripRow['severity'], perPlateau: number) =>
    ({
      severity,
      perPlateau,
      kind: 'spring',
      trueSeverity: 'none',
      isWrong: false,
      isFarOff: false,
    }) as TripRow;
  const rows = [
    ...Array.from({ length: 88 }, () => row('none', 10)),
    ...Array.from({ length: 12 }, () => row('unknown', 10)),
    ...Array.from({ length: 50 }, () => row('unknown', 7)),
  ];
  expect(classShares(rows)[0]).toMatchObject({ trips: 100, unknown: 12, misses: ['unknown 12.0 % > 10 %'] });
  expect(classShares(rows.slice(0, 98).concat(row('none', 9), row('none', 9)))[0].misses).toEqual([]);
});
