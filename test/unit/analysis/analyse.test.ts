/** The whole analysis on frictionless legs whose every number is known exactly, and on records that must not fool it. */
import { describe, expect, test } from 'vitest';
import { analyse } from '../../../daemon/analysis/analyse.ts';
import type { EventRecord, Series } from '../../../daemon/analysis/record.ts';
import type { LegVerdict, Measured, Result } from '../../../daemon/analysis/verdict.ts';
import { quality } from '../../../drivers/driver.ts';
import { seeded } from '../../support/random-rig.ts';
import {
  plainLeg,
  type SyntheticLeg,
  syntheticEvent,
  syntheticSeating_s,
  syntheticTrip_s,
} from '../../support/synthetic-leg.ts';

const options = { revision: 3, software: 'test 1', reason: 'unit test' };
const judge = (record: EventRecord): LegVerdict => analyse(record, options).legs[0];
const judgeLeg = (over: Partial<SyntheticLeg> = {}): LegVerdict =>
  judge(syntheticEvent({ ...plainLeg, ...over }));
const codes = (verdict: LegVerdict) => verdict.flags.map(({ code }) => code);

function given(result: Result): Measured {
  if (result.value === null) throw new Error(`withheld: ${result.reason}`);
  return result;
}

/** Replaces one series of the only leg. */
function withSeries(
  record: EventRecord,
  name: 'outlet' | 'inlet',
  change: (series: Series) => Series,
): EventRecord {
  const leg = record.legs[0];
  const series = leg[name];
  if (series === null) throw new Error(`there is no ${name}`);
  return { ...record, legs: [{ ...leg, [name]: change(series) }] };
}

describe('10 m, 8 m/s2, 1200 m/s, 0.25 m/s (peak - static = density a V + density L d, derived for a frictionless column)', () => {
  const { results } = judgeLeg({ absorption_ratio: 0 });
  const impedance = 998.207 * 1200;

  test('sag, step and peak', () => {
    expect(given(results.sag).value / 0.7986e5).toBeCloseTo(1, 2);
    expect(given(results.seatingStep).value / 2.9946e5).toBeCloseTo(1, 2);
    expect(given(results.surge).value / 3.7932e5).toBeCloseTo(1, 2);
  });

  test('the naive velocity is 27 % high, the step and the equivalent are right', () => {
    expect(given(results.surge).value / impedance / 0.25).toBeCloseTo(1.27, 2);
    expect(given(results.velocityAtSeating).value).toBeCloseTo(0.25, 2);
    expect(given(results.equivalentReverseVelocity).value).toBeCloseTo(0.25, 2);
    expect(given(results.largestReverseVelocity).value).toBeCloseTo(0.25, 2);
  });

  test('instants, decelerations and wave speed', () => {
    expect(given(results.reversal).value).toBeCloseTo(0.3, 3);
    expect(given(results.seating).value).toBeCloseTo(syntheticSeating_s(plainLeg) - syntheticTrip_s, 3);
    expect(given(results.decelerationAtReversal).value).toBeCloseTo(8, 1);
    expect(given(results.decelerationMean).value).toBeCloseTo(8, 1);
    expect(given(results.decelerationMeter).value).toBeCloseTo(8, 1);
    expect(given(results.waveSpeed).value / 1200).toBeCloseTo(1, 2);
    expect(given(results.approachVelocity).value).toBeCloseTo(2.4, 2);
  });
});

describe('what a reader sees', () => {
  test('head, sentence and class', () => {
    const verdict = analyse(syntheticEvent({ ...plainLeg, reverse_mps: 0.42 }), options);
    expect(verdict).toMatchObject({
      event: 'synthetic',
      revision: 3,
      software: 'test 1',
      tripSource: 'contact',
    });
    expect(verdict.legs[0].severity.class).toBe('severe');
    expect(verdict.legs[0].sentence).toMatch(
      /^Reverse flow of 0\.\d\d m\/s was stopped in less than \d+ ms: severe slam\.$/,
    );
    expect(verdict.legs[0].velocity.time_s.length).toBeLessThanOrEqual(2000);
  });

  test('every number is finite and inside its interval', () => {
    for (const result of Object.values(judgeLeg({ noise_Pa: 1500, lag_s: 0.0006, rate_Hz: 1000 }).results)) {
      if (result.value === null) expect(result.reason.length).toBeGreaterThan(10);
      else {
        expect(Number.isFinite(result.low + result.value + result.high)).toBe(true);
        expect(result.low).toBeLessThanOrEqual(result.value);
        expect(result.high).toBeGreaterThanOrEqual(result.value);
      }
    }
  });

  test('a late clock changes nothing', () => {
    const here = judgeLeg({ noise_Pa: 1500, rate_Hz: 2000 });
    const late = judgeLeg({ noise_Pa: 1500, rate_Hz: 2000, offset_s: 65_536 });
    expect(given(late.results.trip).value - 65_536).toBeCloseTo(given(here.results.trip).value, 6);
    for (const [name, result] of Object.entries(here.results)) {
      if (name === 'trip') continue;
      const other = late.results[name as keyof typeof late.results];
      if (result.value === null) expect(other.value, name).toBeNull();
      else expect(given(other).value / (result.value || 1), name).toBeCloseTo(result.value === 0 ? 0 : 1, 3);
    }
  });
});

describe('less to go by', () => {
  test('outlet alone: trip, velocities and class still come, with flags', () => {
    const record = syntheticEvent({ ...plainLeg, noise_Pa: 1000, rate_Hz: 1000 });
    const alone = {
      ...record,
      tank: null,
      contact: null,
      legs: [{ ...record.legs[0], inlet: null, meter: null }],
    };
    const verdict = analyse(alone, options);
    expect(verdict.tripSource).toBe('pressure-knee');
    expect(codes(verdict.legs[0])).toEqual(
      expect.arrayContaining(['no-contact', 'no-meter', 'no-inlet', 'no-tank']),
    );
    expect(given(verdict.legs[0].results.approachVelocity).value).toBeCloseTo(2.4, 1);
    expect(given(verdict.legs[0].results.velocityAtSeating).value).toBeCloseTo(0.25, 2);
    expect(given(verdict.legs[0].results.anchorLoad).value).toBeGreaterThan(1e4);
    expect(verdict.legs[0].results.inletReverseVelocity.value).toBeNull();
  });

  test('100 samples a second: too slow for the step, said with the numbers', () => {
    const verdict = judgeLeg({ rate_Hz: 100, noise_Pa: 1000 });
    expect(verdict.flags.find(({ code }) => code === 'sampling-too-slow')?.text).toMatch(
      /100 samples\/s put 1\.7 on the plateau of 16\.7 ms/,
    );
    expect(verdict.results.velocityAtSeating.value).toBeNull();
    expect(given(verdict.results.peak).high).toBeGreaterThan(4e5 + 3.7e5);
  });

  test('a frozen sensor behind a fast poll is found', () => {
    const record = withSeries(
      syntheticEvent({ ...plainLeg, noise_Pa: 1000, rate_Hz: 2000 }),
      'outlet',
      (series) => ({
        ...series,
        value: series.value.map((_, k) => series.value[k - (k % 4)]),
      }),
    );
    const flag = judge(record).flags.find(({ code }) => code === 'repeated-values');
    expect(flag?.text).toMatch(/4\.0 times.*500 samples/);
  });

  test('clipped at the peak: the peak is withheld, the step is not', () => {
    const record = withSeries(syntheticEvent(plainLeg), 'outlet', (series) => ({
      ...series,
      value: series.value.map((value) => Math.min(7e5, value)),
      channel: { ...series.channel, rawRange: [-1e5, 7e5] },
    }));
    const verdict = judge(record);
    expect(codes(verdict)).toContain('clipped');
    expect(verdict.results.peak.value).toBeNull();
    expect(verdict.results.equivalentReverseVelocity.value).toBeNull();
    expect(verdict.severity.class).toBe('unknown');
  });

  test('a sensor slower than the pulse shows no peak', () => {
    const verdict = judgeLeg({ lag_s: 0.02, rate_Hz: 2000 });
    expect(codes(verdict)).toContain('sensor-slow');
    expect(verdict.results.peak.value).toBeNull();
  });

  test('bad samples are left out and counted', () => {
    const record = withSeries(syntheticEvent({ ...plainLeg, rate_Hz: 2000 }), 'outlet', (series) => {
      const bits = series.quality.slice();
      const value = series.value.slice();
      for (let k = 100; k < 110; k++) {
        bits[k] = quality.invalid;
        value[k] = 1e9;
      }
      return { ...series, value, quality: bits, lost: 5 };
    });
    const verdict = judge(record);
    expect(verdict.flags.find(({ code }) => code === 'samples-lost')?.text).toMatch(
      /^5 samples lost\. 10 bad samples left out\.$/,
    );
    expect(given(verdict.results.seatingStep).value / 2.9946e5).toBeCloseTo(1, 1);
  });

  test('an outlet with hardly a sample gives reasons, no throw', () => {
    const record = withSeries(syntheticEvent(plainLeg), 'outlet', (series) => ({
      ...series,
      time_s: series.time_s.slice(0, 5),
      value: series.value.slice(0, 5),
      quality: series.quality.slice(0, 5),
    }));
    const verdict = judge(record);
    expect(verdict.active).toBe(false);
    expect(verdict.results.peak).toEqual({ value: null, reason: expect.stringContaining('fewer than 20') });
  });
});

describe('false alarms', () => {
  test('valve stuck open: did not close', () => {
    const verdict = judgeLeg({ reverse_mps: null, noise_Pa: 1500, rate_Hz: 1000 });
    expect(verdict.results.seating.value).toBeNull();
    expect(codes(verdict)).toContain('did-not-close');
    expect(verdict.sentence).toMatch(/did not close/);
  });

  test('stuck open with 20 spikes on one channel: still no closing', () => {
    const random = seeded(21);
    const record = withSeries(
      syntheticEvent({ ...plainLeg, reverse_mps: null, noise_Pa: 1500, rate_Hz: 1000 }),
      'outlet',
      (series) => {
        const value = series.value.slice();
        for (let n = 0; n < 20; n++)
          value[Math.floor(random() * (value.length - 2))] += 3e5 + 12e5 * random();
        return { ...series, value };
      },
    );
    expect(judge(record).results.seating.value).toBeNull();
  });

  test('spikes before the closing do not move it', () => {
    const record = withSeries(
      syntheticEvent({ ...plainLeg, noise_Pa: 1500, rate_Hz: 1000 }),
      'outlet',
      (series) => {
        const value = series.value.slice();
        for (const at_s of [1.6, 1.7, 1.75, 1.79]) value[Math.round(at_s * 1000)] += 6e5;
        return { ...series, value };
      },
    );
    const verdict = judge(record);
    expect(codes(verdict)).toContain('spikes-removed');
    expect(given(verdict.results.seating).value).toBeCloseTo(0.33125, 2);
  });

  test('mains hum, unequal on both taps, does not move it either', () => {
    const record = syntheticEvent({ ...plainLeg, noise_Pa: 1500, rate_Hz: 1000 });
    const hum = (amplitude: number) => (series: Series) => ({
      ...series,
      value: series.value.map((v, k) => v + amplitude * Math.sin(2 * Math.PI * 50 * series.time_s[k])),
    });
    const verdict = judge(withSeries(withSeries(record, 'outlet', hum(0.3e5)), 'inlet', hum(0.2e5)));
    expect(Math.abs(given(verdict.results.seating).value - 0.33125)).toBeLessThan(0.0045);
  });

  test('a throttled flow without a trip: no closing', () => {
    const record = syntheticEvent({ ...plainLeg, reverse_mps: null, noise_Pa: 1500, rate_Hz: 1000 });
    const rising = withSeries(record, 'outlet', (series) => ({
      ...series,
      value: series.value.map((_, k) => 4e5 + 1e5 * Math.min(1, series.time_s[k] / 3)),
    }));
    const { outlet, inlet, meter } = rising.legs[0];
    const throttled = (series: Series | null, value: (k: number) => number) =>
      series === null ? null : { ...series, value: series.value.map((_, k) => value(k)) };
    const steady = {
      ...record,
      contact: throttled(record.contact, () => 1),
      legs: [
        {
          ...rising.legs[0],
          inlet: throttled(inlet, (k) => outlet.value[k] + 0.2e5 + 0.8e5 * Math.min(1, k / 3000)),
          meter: throttled(meter, (k) => 2.4 - 2 * Math.min(1, k / 3000)),
        },
      ],
    };
    const verdict = analyse(steady, options);
    expect(verdict.tripSource).toBe('none');
    expect(verdict.legs[0].results.seating.value).toBeNull();
  });

  test('swapped taps are named', () => {
    const record = syntheticEvent({ ...plainLeg, noise_Pa: 1000, rate_Hz: 1000 });
    const { outlet, inlet } = record.legs[0];
    if (inlet === null) throw new Error('there is no inlet');
    const swapped = { ...record, legs: [{ ...record.legs[0], outlet: inlet, inlet: outlet }] };
    expect(codes(judge(swapped))).toContain('taps-swapped');
  });
});

describe('two legs', () => {
  test('both active: each gets its own verdict; an idle one says so', () => {
    const a = syntheticEvent({ ...plainLeg, noise_Pa: 1000, rate_Hz: 2000 });
    const b = syntheticEvent({ ...plainLeg, reverse_mps: 0.08, noise_Pa: 1000, rate_Hz: 2000 });
    const legB = { ...b.legs[0], leg: { ...b.legs[0].leg, id: 'b' } };
    const both = analyse({ ...a, legs: [a.legs[0], legB] }, options);
    expect(both.legs.map(({ leg, active, severity }) => [leg, active, severity.class])).toEqual([
      ['a', true, 'mild'],
      ['b', true, 'none'],
    ]);
    const still = (series: Series | null, value: number) =>
      series === null ? null : { ...series, value: series.value.map(() => value) };
    const idle = {
      ...legB,
      outlet: { ...legB.outlet, value: legB.outlet.value.map((_, k) => 4e5 + ((k * 7919) % 13) * 10) },
      inlet: still(legB.inlet, 3e5),
      meter: still(legB.meter, 0),
    };
    const one = analyse({ ...a, legs: [a.legs[0], idle] }, options);
    expect(one.legs[1].active).toBe(false);
    expect(codes(one.legs[1])).toEqual(['leg-idle']);
    expect(one.legs[0].results.seating.value).not.toBeNull();
  });

  test('legs of one tank settle alike: a zero that is off by 0.2 bar is told, by both', () => {
    const a = syntheticEvent({ ...plainLeg, noise_Pa: 1000, rate_Hz: 1000 });
    const b = { ...a.legs[0], leg: { ...a.legs[0].leg, id: 'b' } };
    const alike = analyse({ ...a, legs: [a.legs[0], b] }, options);
    for (const leg of alike.legs) expect(codes(leg)).not.toContain('statics-differ');
    const outlet = { ...b.outlet, value: b.outlet.value.map((value) => value + 0.2e5) };
    const apart = analyse({ ...a, legs: [a.legs[0], { ...b, outlet }] }, options);
    for (const leg of apart.legs) expect(codes(leg)).toContain('statics-differ');
  });
});
