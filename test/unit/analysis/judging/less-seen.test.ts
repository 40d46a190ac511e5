/** Results and flags that other tests pass by, on legs whose numbers follow from their own description. */
import { describe, expect, test } from 'vitest';
import { analyse } from '../../../../daemon/analysis/analyse.ts';
import type { EventRecord } from '../../../../daemon/analysis/record.ts';
import type { LegVerdict, Measured, Result } from '../../../../daemon/analysis/verdict.ts';
import { channelOf, seriesOf } from '../../../support/independent-records.ts';
import {
  plainLeg,
  type SyntheticLeg,
  syntheticEvent,
  syntheticSeating_s,
  syntheticTrip_s,
} from '../../../support/synthetic-leg.ts';

const options = { revision: 1, software: 'test', reason: 'test' };
const judge = (record: EventRecord): LegVerdict => analyse(record, options).legs[0];
const codes = ({ flags }: LegVerdict) => flags.map(({ code }) => code);
/** The column of `plainLeg` with a tank that reflects all: peak - static = density a V + density L d. */
const lossless: SyntheticLeg = { ...plainLeg, absorption_ratio: 0 };
const area_m2 = (Math.PI * 0.1541 ** 2) / 4;
const seating_s = syntheticSeating_s(plainLeg);

function given(result: Result): Measured {
  if (result.value === null) throw new Error(`withheld: ${result.reason}`);
  return result;
}

/** The inlet of a record replaced by a pressure over time, in Pa. */
function withInlet(record: EventRecord, inlet_Pa: (t: number, k: number) => number): EventRecord {
  const leg = record.legs[0];
  const value = leg.outlet.time_s.map((t, k) => inlet_Pa(t, k));
  return { ...record, legs: [{ ...leg, inlet: { ...leg.inlet!, value } }] };
}

describe('disc travel', () => {
  /** Open at 1, from `start_s` after the trip shut within 0.2 s. */
  const travelling = (start_s: number): EventRecord => {
    const record = syntheticEvent(plainLeg);
    const leg = record.legs[0];
    const { time_s } = leg.outlet;
    const opening = time_s.map((t) => Math.min(1, Math.max(0, 1 - (t - syntheticTrip_s - start_s) / 0.2)));
    const position = seriesOf(channelOf('position', 'position'), time_s, opening);
    return { ...record, legs: [{ ...leg, leg: { ...leg.leg, position: 'position' }, position }] };
  };

  test('from 3 % off its steady place to 3 % off the seat: 94 % of 0.2 s', () => {
    expect(given(judge(travelling(0.1)).results.discTravelTime).value).toBeCloseTo(0.188, 3);
  });

  test('withheld without a position', () => {
    expect(judge(syntheticEvent(plainLeg)).results.discTravelTime.value).toBeNull();
  });
});

describe('the closed column', () => {
  const { results } = judge(syntheticEvent(plainLeg));

  test('rings at a / 4 L = 30 Hz', () => {
    expect(given(results.ringFrequency).value / 30).toBeCloseTo(1, 2);
  });

  test('is fitted from two and a half periods after the seating on', () => {
    const { from_s } = given(results.ringFrequency);
    expect(from_s! - given(results.seating).value).toBeCloseTo(2.5 / 30, 3);
  });

  test('dies by what the tank takes up: (1 - 0.03) / (1 + 0.03) each way back, twice a period', () => {
    // Reflection at an end of impedance 0.03 of the pipe's (Wylie and Streeter, from memory).
    const decay_s = -1 / 30 / (2 * Math.log(0.97 / 1.03));
    expect(given(results.ringDecay).value / decay_s).toBeGreaterThan(0.9);
    expect(given(results.ringDecay).value / decay_s).toBeLessThan(1.1);
  });

  test('rating 16 bar less the peak of 7.79 bar', () => {
    const { ratingMargin } = judge(syntheticEvent(lossless)).results;
    expect(given(ratingMargin).value / (16e5 - 4e5 - 3.7932e5)).toBeCloseTo(1, 2);
  });

  test('the lower of the ratings of pipe and valve counts', () => {
    const record = syntheticEvent(lossless);
    const leg = record.legs[0];
    const weak = { ...leg.leg, valve: { ...leg.leg.valve, rating_Pa: 10e5 } };
    const { ratingMargin } = judge({ ...record, legs: [{ ...leg, leg: weak }] }).results;
    expect(given(ratingMargin).value / (10e5 - 4e5 - 3.7932e5)).toBeCloseTo(1, 2);
  });
});

describe('load on the anchor', () => {
  test('largest outlet less inlet after the seating, times the bore area', () => {
    const record = withInlet(syntheticEvent(lossless), (t) => (t < seating_s ? 4.2e5 : 1e5));
    const load_N = (7.7932e5 - 1e5) * area_m2;
    expect(given(judge(record).results.anchorLoad).value / load_N).toBeCloseTo(1, 2);
  });
});

describe('re-opening', () => {
  /** The inlet stands 2 bar under the outlet after the seating, but for `spells` of 50 ms a bar above it. */
  const opening = (spells: readonly number[]): EventRecord => {
    const record = syntheticEvent({ ...plainLeg, absorption_ratio: 0.3 });
    const outlet = record.legs[0].outlet.value;
    return withInlet(record, (t, k) => {
      if (t < seating_s) return 4.2e5;
      const isOpen = spells.some((at_s) => t >= seating_s + at_s && t < seating_s + at_s + 0.05);
      return outlet[k] + (isOpen ? 1e5 : -2e5);
    });
  };

  test.each([[[]], [[0.5]], [[0.5, 0.8, 1.4]]])('spells with the inlet above the outlet: %j', (spells) => {
    expect(given(judge(opening(spells)).results.reopenings).value).toBe(spells.length);
  });

  test('withheld without an inlet', () => {
    const record = syntheticEvent(plainLeg);
    const leg = record.legs[0];
    expect(judge({ ...record, legs: [{ ...leg, inlet: null }] }).results.reopenings.value).toBeNull();
  });
});

describe('flags', () => {
  test('vapour pressure at the inlet after the seating: cavitation suspected; a bar above it: not', () => {
    // Water at 20 degC boils at 2339 Pa absolute (IAPWS-IF97): -0.99 bar gauge at sea level.
    const low = withInlet(syntheticEvent(plainLeg), (t) => (t < seating_s ? 4.2e5 : 2339 - 101_325));
    const high = withInlet(syntheticEvent(plainLeg), (t) => (t < seating_s ? 4.2e5 : 1e5 + 2339 - 101_325));
    expect(codes(judge(low))).toContain('cavitation-suspected');
    expect(codes(judge(high))).not.toContain('cavitation-suspected');
  });

  test('a second, higher peak half a second later: multiple impacts; one impact: not', () => {
    const record = syntheticEvent(plainLeg);
    const leg = record.legs[0];
    const again = leg.outlet.time_s.map((t, k) => {
      const since_s = t - seating_s - 0.25;
      return leg.outlet.value[k] + (since_s >= 0 && since_s < 0.016 ? 5e5 : 0);
    });
    const twice = { ...record, legs: [{ ...leg, outlet: { ...leg.outlet, value: again } }] };
    expect(codes(judge(twice))).toContain('multiple-impacts');
    expect(codes(judge(record))).not.toContain('multiple-impacts');
  });

  test('at 100 samples a second the largest one may be of a later ring of the same impact: not multiple impacts', () => {
    const found = [0, 0.002, 0.004, 0.006, 0.008].flatMap((later_s) => {
      const slow = {
        ...plainLeg,
        rate_Hz: 100,
        absorption_ratio: 0.005,
        deceleration_mps2: 8 - 20 * later_s,
      };
      return codes(judge(syntheticEvent(slow)));
    });
    expect(found).not.toContain('multiple-impacts');
  });
});
