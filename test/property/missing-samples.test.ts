/** Whatever stretch is missing from a record: no interval may be surer than what is left, and a gap is never a slow rise. */
import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { analyse } from '../../daemon/analysis/analyse.ts';
import type { LegResults, LegVerdict, Result } from '../../daemon/analysis/verdict.ts';
import { type Cut, cutRecord, cuttables } from '../support/cut-record.ts';
import {
  type IndependentRecord,
  independentRecords,
  readIndependent,
} from '../support/independent-records.ts';

const options = { revision: 1, software: 'test', reason: 'property' };

/** Figures of which the independent model gives the truth, in SI. */
function truthsOf({ truth }: IndependentRecord): Partial<Record<keyof LegResults, number>> {
  const peak = truth.peak_at_valve_bar * 1e5;
  const level = truth.static_after_bar * 1e5;
  return {
    seating: truth.seating_after_trip_s,
    reversal: truth.reversal_after_trip_s,
    approachVelocity: truth.approach_velocity_m_per_s,
    velocityAtSeating: -truth.velocity_at_seating_m_per_s,
    largestReverseVelocity: Math.abs(truth.largest_reverse_velocity_m_per_s),
    peak,
    staticAfter: level,
    surge: peak - level,
    decelerationAtReversal: truth.deceleration_at_reversal_m_per_s2,
  };
}

/** How many half-widths the truth lies from the value; 1 is the end of the interval. */
function apart(result: Result, truth: number): number {
  if (result.value === null) return 0;
  const half = truth > result.value ? result.high - result.value : result.value - result.low;
  return truth === result.value ? 0 : Math.abs(truth - result.value) / Math.max(1e-12, half);
}

/** Instants and pressures have hard bounds in a gap; the others have intervals that a rare truth may lie just outside of. */
const strict: ReadonlySet<string> = new Set(['seating', 'peak', 'surge', 'velocityAtSeating']);

const sharp = (leg: LegVerdict) => !leg.flags.some(({ code }) => code === 'softened-closure');
const ranks = ['none', 'mild', 'severe'];

const records = independentRecords()
  .filter(({ sample_rate_Hz }) => sample_rate_Hz <= 1000)
  .map((entry) => {
    const record = readIndependent(entry);
    return { entry, record, whole: analyse(record, options).legs[0] };
  });

describe('any stretch cut out of a record', () => {
  const cuts = fc.array(
    fc.record({
      middle_s: fc.oneof(
        fc.double({ min: -0.06, max: 0.12, noNaN: true }),
        fc.double({ min: -0.9, max: 1.2, noNaN: true }),
      ),
      long_s: fc.double({ min: 0.001, max: 0.2, noNaN: true }),
      channels: fc.oneof(fc.constant(cuttables), fc.subarray([...cuttables], { minLength: 1 })),
      isMarked: fc.boolean(),
    }),
    { minLength: 1, maxLength: 3 },
  );

  test.each(records.map((each) => [each.entry.file, each] as const))('%s', (_, { entry, record, whole }) => {
    const truths = truthsOf(entry);
    const seated_s = entry.truth.trip_s + entry.truth.seating_after_trip_s;
    fc.assert(
      fc.property(cuts, (drawn) => {
        const torn = drawn
          .map(({ middle_s, long_s, ...rest }): Cut => {
            const from_s = seated_s + middle_s - long_s / 2;
            return { ...rest, from_s, to_s: from_s + long_s };
          })
          .reduce(cutRecord, record);
        const leg = analyse(torn, options).legs[0];
        for (const [name, truth] of Object.entries(truths)) {
          const figure = name as keyof LegResults;
          const allowed = Math.max(strict.has(name) ? 1 : 2, apart(whole.results[figure], truth));
          expect(
            apart(leg.results[figure], truth),
            `${name}: ${JSON.stringify(leg.results[figure])}`,
          ).toBeLessThanOrEqual(allowed * 1.001);
        }
        // Only a class that the whole record supports may be stated as sure.
        const [before, after] = [ranks.indexOf(whole.severity.class), ranks.indexOf(leg.severity.class)];
        if (before >= 0 && after >= 0) expect(leg.severity.class).toBe(whole.severity.class);
        if (sharp(whole)) expect(sharp(leg), 'a gap is no slow rise').toBe(true);
        expect(leg.flags.map(({ code }) => code)).not.toContain('no-measurable-slam');
      }),
      { numRuns: Number(process.env['RUNS'] ?? 40), seed: 20261130 },
    );
  });
});
