/** The analysis against the records of an independent model: same equations, other code, so it tests the reading. */
import { describe, expect, test } from 'vitest';
import { analyse } from '../../daemon/analysis/analyse.ts';
import { independentRecords, type Missing, readIndependent } from '../support/independent-records.ts';
import { count, emptyTally, type Tally } from '../support/independent-tally.ts';

function tally(missing: Missing, rate_Hz: number | null = null): Tally {
  const sum = emptyTally();
  for (const entry of independentRecords()) {
    if (rate_Hz !== null && entry.sample_rate_Hz !== rate_Hz) continue;
    const verdict = analyse(readIndependent(entry, missing), {
      revision: 1,
      software: 'test',
      reason: 'golden',
    });
    count(sum, entry, verdict);
  }
  return sum;
}

describe('records of an independent model', () => {
  test('at least 92 % of the figures lie inside their intervals, none beyond twice', () => {
    const all = tally({});
    console.log(`${all.inside} of ${all.given} figures inside their intervals`, all.outside);
    expect(all.farOutside).toEqual([]);
    expect(all.inside / all.given).toBeGreaterThanOrEqual(0.92);
    // Only the step of the slow records may be missing.
    expect(all.withheld.filter((line) => !/100Hz.csv velocityAtSeating: .*8 are needed/.test(line))).toEqual(
      [],
    );
    expect(all.withheld).toHaveLength(5);
  });

  test.each([100, 1000, 4000])('at %i Hz alone as well', (rate_Hz) => {
    const some = tally({}, rate_Hz);
    console.log(`${rate_Hz} Hz: ${some.inside} of ${some.given}`, some.outside);
    expect(some.given).toBeGreaterThan(20);
    expect(some.farOutside).toEqual([]);
    expect(some.inside / some.given).toBeGreaterThanOrEqual(0.92);
  });

  test.each<[string, Missing]>([
    ['without inlet', { inlet: true }],
    ['without tank', { tank: true }],
    ['without meter', { meter: true }],
    ['without contact', { contact: true }],
    ['with the outlet alone', { inlet: true, tank: true, meter: true, contact: true }],
  ])('%s: less sure, still honest', (_name, missing) => {
    const some = tally(missing);
    console.log(`${_name}: ${some.inside} of ${some.given}`, some.outside);
    expect(some.farOutside.length / some.given).toBeLessThanOrEqual(0.02);
    expect(some.inside / some.given).toBeGreaterThanOrEqual(0.9);
  });

  test('softened and sharp closures are told apart', () => {
    for (const entry of independentRecords()) {
      if (entry.sample_rate_Hz < 1000) continue;
      const { flags } = analyse(readIndependent(entry), { revision: 1, software: 'test', reason: 'golden' })
        .legs[0];
      expect(
        flags.some(({ code }) => code === 'softened-closure'),
        entry.file,
      ).toBe(entry.valve === 'cushion');
    }
  });
});
