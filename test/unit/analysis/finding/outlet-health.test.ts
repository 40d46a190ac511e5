/** An outlet whose instrument is not what the rig file says: seen at the seating, never passed off as a gentle closing. */
import { describe, expect, test } from 'vitest';
import { analyse } from '../../../../daemon/analysis/analyse.ts';
import { fitFreeLag, fitLineRing } from '../../../../daemon/analysis/finding/response.ts';
import { restoreLine } from '../../../../daemon/analysis/reading/restore.ts';
import type { EventRecord, Series } from '../../../../daemon/analysis/record.ts';
import type { LegVerdict, Result } from '../../../../daemon/analysis/verdict.ts';
import { drawTrip, truthsOf } from '../../../support/accuracy.ts';
import { simulateTrip } from '../../../support/simulate-trip.ts';
import { plainLeg, syntheticEvent } from '../../../support/synthetic-leg.ts';
import { exactKnowledge, recordOf } from '../../../support/trip-record.ts';

const options = { revision: 1, software: 'test', reason: 'unit' };

/** A column through a second-order instrument, its equation integrated in fine steps; w in rad/s. */
function throughLine(time_s: Float64Array, value: Float64Array, natural_Hz: number, z: number): Float64Array {
  const w = 2 * Math.PI * natural_Hz;
  const out = value.slice();
  let y = value[0];
  let dy = 0;
  for (let k = 1; k < value.length; k++) {
    const h = (time_s[k] - time_s[k - 1]) / 40;
    for (let j = 1; j <= 40; j++) {
      const input = value[k - 1] + (value[k] - value[k - 1]) * (j / 40);
      dy += h * (w * w * (input - y) - 2 * z * w * dy);
      y += h * dy;
    }
    out[k] = y;
  }
  return out;
}

/** A column through a first-order lag, straight between its samples. */
function throughLag(time_s: Float64Array, value: Float64Array, lag_s: number): Float64Array {
  const out = value.slice();
  for (let k = 1; k < value.length; k++) {
    const h = time_s[k] - time_s[k - 1];
    const keep = Math.exp(-h / lag_s);
    const slope = (value[k] - value[k - 1]) / h;
    out[k] = value[k] - slope * lag_s + (out[k - 1] - value[k - 1] + slope * lag_s) * keep;
  }
  return out;
}

type Filter = (time_s: Float64Array, value: Float64Array) => Float64Array;

/** The taps of a record seen through another instrument; the rig file does not know. */
function disturbed(record: EventRecord, filter: Filter, taps: readonly ('outlet' | 'inlet')[]): EventRecord {
  const through = (series: Series): Series => ({ ...series, value: filter(series.time_s, series.value) });
  const legs = record.legs.map((leg) => ({
    ...leg,
    outlet: taps.includes('outlet') ? through(leg.outlet) : leg.outlet,
    inlet: leg.inlet !== null && taps.includes('inlet') ? through(leg.inlet) : leg.inlet,
  }));
  return { ...record, legs };
}

function judge(record: EventRecord): LegVerdict {
  return analyse(record, options).legs[0];
}

function codes({ flags }: LegVerdict) {
  return flags.map(({ code }) => code);
}

function holds(result: Result, truth: number | undefined): boolean {
  return result.value === null || truth === undefined || (truth >= result.low && truth <= result.high);
}

const slam = { ...plainLeg, rate_Hz: 1000, reverse_mps: 0.5, noise_Pa: 800, absorption_ratio: 0.08 };
const known = (record: EventRecord): EventRecord => ({
  ...record,
  legs: record.legs.map((leg) => {
    const stated = (series: Series): Series => ({
      ...series,
      channel: { ...series.channel, responseTime_s: 0.0005, responseTimeHalfWidth_s: 0.0003 },
    });
    return { ...leg, outlet: stated(leg.outlet), inlet: leg.inlet && stated(leg.inlet) };
  }),
});

describe('a transmitter slower than the rig file says', () => {
  test.each([2, 4, 10, 18, 30, 60, 100])('a severe slam through %d ms is never "no slam"', (lag_ms) => {
    const filter: Filter = (time_s, value) => throughLag(time_s, value, lag_ms / 1e3);
    const verdict = judge(disturbed(known(syntheticEvent(slam)), filter, ['outlet', 'inlet']));
    expect(['severe', 'unknown', 'at-limit']).toContain(verdict.severity.class);
    expect(codes(verdict)).toContain('response-time-differs');
    expect(
      holds(verdict.results.velocityAtSeating, 0.5),
      JSON.stringify(verdict.results.velocityAtSeating),
    ).toBe(true);
  });

  test('a lag of 2 ms is measured and used', () => {
    const record = disturbed(known(syntheticEvent(slam)), (t, v) => throughLag(t, v, 0.002), [
      'outlet',
      'inlet',
    ]);
    const { velocityAtSeating } = judge(record).results;
    expect(velocityAtSeating.value).not.toBeNull();
    expect(Math.abs((velocityAtSeating.value ?? 0) - 0.5)).toBeLessThan(0.07);
  });
});

describe('a line to the sensor that rings', () => {
  test.each([
    [90, 0.05],
    [170, 0.1],
  ])('%d Hz, damping %d: taken out, and said', (natural_Hz, damping) => {
    const { spec, sensors, random } = drawTrip(100_001);
    const simulated = simulateTrip(spec, { rate_Hz: 1000, sensors, random });
    const record = recordOf(simulated, spec, sensors, exactKnowledge(sensors));
    const filter: Filter = (time_s, value) => throughLine(time_s, value, natural_Hz, damping);
    const verdict = judge(disturbed(record, filter, ['outlet']));
    expect(codes(verdict)).toContain('tapping-line-rings');
    const truths = truthsOf({ truth: simulated.legs[0].truth, spec, simulated } as Parameters<
      typeof truthsOf
    >[0]);
    for (const name of [
      'velocityAtSeating',
      'peak',
      'surge',
      'seating',
      'equivalentReverseVelocity',
    ] as const)
      expect(
        holds(verdict.results[name], truths[name]),
        `${name} ${JSON.stringify(verdict.results[name])}`,
      ).toBe(true);
  });

  test('the inverse gives back what went in (differential equation of the line)', () => {
    const time_s = Float64Array.from({ length: 600 }, (_, k) => k / 1000);
    const value = time_s.map((t) => 1e5 * Math.sin(2 * Math.PI * 8 * t));
    const line = { natural_Hz: 120, damping_ratio: 0.08 };
    const shown = throughLine(time_s, value, line.natural_Hz, line.damping_ratio);
    const restored = restoreLine({ time_s, value: shown }, 1e-3, line);
    for (let k = 200; k < 590; k++) expect(Math.abs(restored[k] - value[k])).toBeLessThan(900);
  });
});

describe('the free fits', () => {
  const time_s = Float64Array.from({ length: 100 }, (_, k) => 0.1 + k / 2000);
  const front = time_s.map((t) => (t < 0.1221 ? 4e5 - 3e5 * (t - 0.1) : 6e5 + 2e6 * (t - 0.1221)));
  const search = { from_s: 0.1, to_s: 0.145, earliest_s: 0.115, latest_s: 0.125 };

  test.each([0.001, 0.003, 0.008])('give a lag of %d s and the step before it', (lag_s) => {
    const found = fitFreeLag({ time_s, value: throughLag(time_s, front, lag_s) }, search, 2e-4, 10);
    expect(found?.lag_s.value).toBeGreaterThan(0.85 * lag_s);
    expect(found?.lag_s.value).toBeLessThan(1.15 * lag_s);
  });

  test('give frequency and damping of a line that rings', () => {
    const found = fitLineRing({ time_s, value: throughLine(time_s, front, 150, 0.07) }, search, 5e-4);
    expect(found?.instrument).toMatchObject({ kind: 'line' });
    if (found?.instrument.kind !== 'line') throw new Error('no line found');
    expect(found.instrument.natural_Hz).toBeCloseTo(150, -1);
    expect(found.instrument.damping_ratio).toBeCloseTo(0.07, 1);
  });
});

describe('contact and pressure far apart', () => {
  const { spec, sensors, random } = drawTrip(100_001);
  const simulated = simulateTrip(spec, { rate_Hz: 1000, sensors, random });
  const record = recordOf(simulated, spec, sensors, exactKnowledge(sensors));
  const truths = truthsOf({ truth: simulated.legs[0].truth, spec, simulated } as Parameters<
    typeof truthsOf
  >[0]);

  test.each([-70, -45, -30, 30, 60, 150])(
    'a contact %d ms late: the intervals hold the truth, and it is said',
    (late_ms) => {
      const { contact } = record;
      if (contact === null) throw new Error('no contact');
      const moved = { ...contact, time_s: contact.time_s.map((t) => t + late_ms / 1e3) };
      const verdict = judge({ ...record, contact: moved });
      expect(codes(verdict)).toContain('instruments-misaligned');
      for (const name of ['trip', 'seating', 'reversal', 'decelerationMean'] as const)
        expect(
          holds(verdict.results[name], truths[name]),
          `${name} ${JSON.stringify(verdict.results[name])} ${truths[name]}`,
        ).toBe(true);
    },
  );
});

describe('a meter slower than the rig file says', () => {
  const { spec, sensors, random } = drawTrip(100_001);
  const simulated = simulateTrip(spec, { rate_Hz: 1000, sensors, random });
  const record = recordOf(simulated, spec, sensors, exactKnowledge(sensors));
  const truths = truthsOf({ truth: simulated.legs[0].truth, spec, simulated } as Parameters<
    typeof truthsOf
  >[0]);

  test.each([0.8, 1.6, 3])(
    'damped by %d s more: the closing is found, and the flow before it is held',
    (lag_s) => {
      const [leg] = record.legs;
      const { meter } = leg;
      if (meter === null) throw new Error('no meter');
      const damped = { ...meter, value: throughLag(meter.time_s, meter.value, lag_s) };
      const verdict = judge({ ...record, legs: [{ ...leg, meter: damped }] });
      expect(verdict.results.seating.value).not.toBeNull();
      expect(codes(verdict)).toContain('meter-lag-differs');
      expect(
        holds(verdict.results.approachVelocity, truths.approachVelocity),
        JSON.stringify([verdict.results.approachVelocity, truths.approachVelocity]),
      ).toBe(true);
    },
  );
});
