/** The analysis against the records of an independent model: same equations, other code, so it tests the reading. */
import { describe, expect, test } from 'vitest';
import { analyse } from '../../daemon/analysis/analyse.ts';
import type { LegResults } from '../../daemon/analysis/verdict.ts';
import {
  type IndependentRecord,
  independentRecords,
  type Missing,
  readIndependent,
} from '../support/independent-records.ts';

type Name = keyof LegResults;

/** What the truth of one file says each result should be, in SI. */
function truths(entry: IndependentRecord): readonly (readonly [Name, number])[] {
  const { truth } = entry;
  return [
    ['trip', truth.trip_s],
    ['reversal', truth.reversal_after_trip_s],
    ['seating', truth.seating_after_trip_s],
    ['approachVelocity', truth.approach_velocity_m_per_s],
    ['velocityAtSeating', -truth.velocity_at_seating_m_per_s],
    ['largestReverseVelocity', truth.largest_reverse_velocity_m_per_s],
    ['peak', truth.peak_at_valve_bar * 1e5],
    ['staticAfter', truth.static_after_bar * 1e5],
    ['surge', (truth.peak_at_valve_bar - truth.static_after_bar) * 1e5],
    ['decelerationAtReversal', truth.deceleration_at_reversal_m_per_s2],
    ['decelerationMean', truth.approach_velocity_m_per_s / truth.reversal_after_trip_s],
  ];
}

interface Tally {
  given: number;
  inside: number;
  readonly outside: string[];
  readonly farOutside: string[];
  readonly withheld: string[];
}

function tally(missing: Missing): Tally {
  const sum: Tally = { given: 0, inside: 0, outside: [], farOutside: [], withheld: [] };
  for (const entry of independentRecords()) {
    const verdict = analyse(readIndependent(entry, missing), {
      revision: 1,
      software: 'test',
      reason: 'golden',
    });
    const { results } = verdict.legs[0];
    for (const [name, truth] of truths(entry)) {
      const result = results[name];
      if (result.value === null) {
        sum.withheld.push(`${entry.file} ${name}: ${result.reason}`);
        continue;
      }
      sum.given++;
      const side = truth < result.value ? result.value - result.low : result.high - result.value;
      const off = Math.abs(truth - result.value);
      const text = `${entry.file} ${name}: off by ${off.toPrecision(3)}, allowed ${side.toPrecision(3)}`;
      if (off <= side) sum.inside++;
      else sum.outside.push(text);
      if (off > 2 * side) sum.farOutside.push(text);
    }
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
