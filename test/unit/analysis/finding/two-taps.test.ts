/** Wave speed from two taps: the simulated front against the speed that the plant was given. */
import { describe, expect, it } from 'vitest';
import { analyse } from '../../../../daemon/analysis/analyse.ts';
import type { EventRecord } from '../../../../daemon/analysis/record.ts';
import type { LegVerdict } from '../../../../daemon/analysis/verdict.ts';
import { drawTrip } from '../../../support/accuracy.ts';
import { channelOf, seriesOf } from '../../../support/independent-records.ts';
import { simulateTrip } from '../../../support/simulate-trip.ts';
import { exactKnowledge, recordOf } from '../../../support/trip-record.ts';

interface Taps {
  readonly rate_Hz?: number;
  readonly lagHalfWidth_s?: number;
  /** Added to what the configuration says of the mid sensor's lag, and to when its values come. */
  readonly late_s?: number;
  readonly waveSpeedError?: number;
}

/** A sharp closure (seed 500 000: a spring-loaded valve) with a mid tap, or a softened one. */
function trip(
  seed: number,
  { rate_Hz = 5000, lagHalfWidth_s = 4e-5, late_s = 0, waveSpeedError = 0 }: Taps = {},
) {
  const { spec, sensors, random } = drawTrip(seed);
  const simulated = simulateTrip(spec, { rate_Hz, sensors, random });
  const knowledge = { ...exactKnowledge(sensors), pressureLagHalfWidth_s: lagHalfWidth_s };
  const record = recordOf(simulated, spec, sensors, { ...knowledge, waveSpeed: waveSpeedError });
  const [leg] = record.legs;
  const channel = channelOf('mid', 'pressure', {
    responseTime_s: sensors.pressureLag_s + late_s,
    responseTimeHalfWidth_s: lagHalfWidth_s,
  });
  const mid = seriesOf(
    channel,
    simulated.time_s.map((t) => t + late_s),
    simulated.legs[0].mid_Pa,
  );
  const { mid_m } = spec.legs[0].taps;
  const withMid = { ...leg, mid, leg: { ...leg.leg, mid: { channel: 'mid', distance_m: mid_m } } };
  return { record: { ...record, legs: [withMid] }, truth_mps: spec.legs[0].downstream.waveSpeed_mps };
}

const judge = (record: EventRecord): LegVerdict =>
  analyse(record, { revision: 1, software: 'test', reason: 'unit' }).legs[0];

describe('the wave speed from two taps', () => {
  it.each([500_000, 500_001, 500_003, 500_012])('seed %d: the truth lies in a narrow interval', (seed) => {
    const { record, truth_mps } = trip(seed);
    const taps = judge(record).waveSpeeds!.twoTaps;
    if (taps.value === null) throw new Error(taps.reason);
    expect(taps.low).toBeLessThan(truth_mps);
    expect(taps.high).toBeGreaterThan(truth_mps);
    expect((taps.high - taps.low) / truth_mps).toBeLessThan(0.08);
    expect(taps.method).toContain('between two taps');
  });

  it('allows for a mid sensor that answers later than the outlet sensor', () => {
    const same = judge(trip(500_000).record).waveSpeeds!.twoTaps;
    const later = judge(trip(500_000, { late_s: 4e-4 }).record).waveSpeeds!.twoTaps;
    expect(later.value! / same.value!).toBeCloseTo(1, 2);
  });

  it('counts where it is surer than the ring-down, and its budget says so', () => {
    const { results, waveSpeeds } = judge(trip(500_000).record);
    expect(results.waveSpeed.value).toBe(waveSpeeds!.twoTaps.value);
    const vague = judge(trip(500_000, { lagHalfWidth_s: 2e-4 }).record);
    expect(vague.results.waveSpeed).toMatchObject({ value: vague.waveSpeeds!.ringDown.value });
    if (results.waveSpeed.value === null) throw new Error();
    const sources = results.waveSpeed.budget!.map(({ source }) => source);
    expect(sources.slice(0, 2).sort()).toEqual(['sampling', 'sensor-lag']);
  });

  it('is what the warning of free gas goes by', () => {
    const text = (error: number) =>
      judge(trip(500_000, { waveSpeedError: error }).record).flags.find(
        ({ code }) => code === 'wave-speed-differs',
      )?.text ?? '';
    expect(text(0)).toBe('');
    expect(text(0.12)).toMatch(/front between the two taps gives .* Free gas/);
  });

  it.each<[string, number, Taps, RegExp]>([
    ['too few samples from tap to tap', 500_000, { rate_Hz: 200 }, /samples, 4 are needed/],
    ['a throttled stop', 500_007, {}, /no sharp front/],
    [
      'sensors whose lag is hardly known',
      500_000,
      { lagHalfWidth_s: 2e-3 },
      /^taps too close, or sensors or sampling too slow: wave speed \+-\d+ %$/,
    ],
  ])('%s: withheld', (_name, seed, taps, reason) => {
    expect(judge(trip(seed, taps).record).waveSpeeds!.twoTaps).toMatchObject({
      value: null,
      reason: expect.stringMatching(reason),
    });
  });

  it('without a mid tap the ring-down stands alone', () => {
    const { record } = trip(500_000);
    const [leg] = record.legs;
    const { waveSpeeds, results } = judge({
      ...record,
      legs: [{ ...leg, mid: null, leg: { ...leg.leg, mid: null } }],
    });
    expect(waveSpeeds!.twoTaps).toEqual({ value: null, reason: 'there is no mid tap in this leg' });
    expect(results.waveSpeed.value).toBe(waveSpeeds!.ringDown.value);
  });
});
