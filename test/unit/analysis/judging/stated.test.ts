/** A statement becomes a result: unit of the table, interval and budget from the same effects. */
import { describe, expect, it } from 'vitest';
import type { Effect } from '../../../../daemon/analysis/judging/budget.ts';
import { stated } from '../../../../daemon/analysis/judging/stated.ts';
import type { Measured } from '../../../../daemon/analysis/verdict.ts';
import { coverage } from '../../../../daemon/statistics/uncertainty.ts';

// 3, 4 and 12 make 13: 3-4-5 and 5-12-13.
const effects: readonly Effect[] = [
  ['noise', 3],
  ['wave-speed', -4],
  ['method', 12],
];
const made = (more: object = {}) =>
  stated('surge', { value: 1000, method: 'test', effects, ...more }) as Measured;

describe('a statement', () => {
  it('has the unit of its metric and the interval of its effects', () => {
    expect(made()).toMatchObject({ value: 1000, unit: 'Pa', method: 'test', from_s: null, to_s: null });
    expect(made().high - 1000).toBeCloseTo(13 * coverage, 9);
    expect(1000 - made().low).toBeCloseTo(13 * coverage, 9);
  });

  it('has the budget of the same effects, signs kept', () => {
    const [first, second, third] = made().budget!;
    expect(first).toMatchObject({ source: 'method' });
    expect(first.effect).toBeCloseTo(12, 9);
    expect(second).toMatchObject({ source: 'wave-speed', effect: -4 });
    expect(third.share).toBeCloseTo(9 / 169, 9);
  });

  it('takes an interval that is not that of the effects; the rest is the method', () => {
    const wide = made({ low: 1000 - 26 * coverage, high: 1000 + 26 * coverage });
    expect(wide.budget![0].effect).toBeCloseTo(Math.sqrt(26 ** 2 - 25), 9);
    expect(made({ doubt: 26 }).high).toBeCloseTo(wide.high, 9);
  });

  it('does not reach below what is possible', () => {
    expect(made({ least: 990 }).low).toBe(990);
  });

  it('withholds what has no finite answer', () => {
    expect(made({ value: Number.NaN })).toMatchObject({ value: null });
    expect(made({ effects: [['noise', Number.POSITIVE_INFINITY]], doubt: Number.NaN })).toMatchObject({
      value: null,
    });
  });
});
