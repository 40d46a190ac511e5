/** The small parts of the analysis on signals whose answers are known by hand. */
import { describe, expect, test } from 'vitest';
import { fitFront, riseTime_s } from '../../../daemon/analysis/finding/front.ts';
import { columnMotion, reversal_s, valveVelocity_mps } from '../../../daemon/analysis/finding/impulse.ts';
import { fitRing, ringWaveSpeed } from '../../../daemon/analysis/finding/ring.ts';
import { edgeOf, guessKnee_s, kneeOf } from '../../../daemon/analysis/finding/trip.ts';
import { classOf } from '../../../daemon/analysis/judging/severity.ts';
import { despike } from '../../../daemon/analysis/reading/despike.ts';
import { repeatsOf } from '../../../daemon/analysis/reading/leg-signals.ts';
import { bounded, measured } from '../../../daemon/analysis/result.ts';
import { indexAt, median, onto, range, valueAt } from '../../../daemon/statistics/samples.ts';
import { outsideOf, weighted } from '../../../daemon/statistics/uncertainty.ts';
import { channelOf, seriesOf } from '../../support/independent-records.ts';
import { normal, seeded } from '../../support/random-rig.ts';

/** Instants at `rate_Hz` over [0, seconds). */
const axis = (rate_Hz: number, seconds: number) =>
  Float64Array.from({ length: Math.round(rate_Hz * seconds) }, (_, k) => k / rate_Hz);

describe('samples', () => {
  test('bounds, median and lines between samples', () => {
    const t = Float64Array.of(0, 1, 2, 3);
    expect(indexAt(t, 1)).toBe(1);
    expect(indexAt(t, 1.1)).toBe(2);
    expect(indexAt(t, 9)).toBe(4);
    expect(range(t, { from_s: 1, to_s: 2 })).toEqual([1, 3]);
    expect(median(Float64Array.of(9, 1, 5, 7), 0, 4)).toBe(6);
    const samples = { time_s: t, value: Float64Array.of(0, 10, 20, 0) };
    expect(valueAt(samples, 0.5)).toBe(5);
    expect(valueAt(samples, -1)).toBe(0);
    expect([...onto(samples, Float64Array.of(-1, 0.25, 2.5, 9))]).toEqual([0, 2.5, 10, 0]);
  });
});

describe('spikes', () => {
  const quiet = () => new Float64Array(50).fill(4e5);
  const rule = { least: 0.8e5, mirrored: 0.12 };

  test('one to two wild samples are replaced, a front is not', () => {
    const value = quiet();
    value[20] = 9e5;
    value[30] = 1e5;
    value[31] = 1e5;
    expect(despike(value, null, rule)).toBe(3);
    expect([...value]).toEqual([...quiet()]);
    const front = quiet().fill(9e5, 25);
    expect(despike(front, null, rule)).toBe(0);
  });

  test('a departure that the other tap mirrors is left alone', () => {
    const value = quiet();
    const other = quiet();
    value[20] = 9e5;
    other[20] = 2e5;
    expect(despike(value, other, rule)).toBe(0);
  });
});

describe('repeated values', () => {
  test('a device polled four times as fast as it measures', () => {
    const random = seeded(3);
    const fresh = Array.from({ length: 100 }, () => normal(random));
    const value = Float64Array.from(fresh.flatMap((v) => [v, v, v, v]));
    expect(repeatsOf({ time_s: axis(400, 1), value })).toBeCloseTo(4, 6);
    // A coarse converter repeats too, but at random.
    const coarse = Float64Array.from({ length: 400 }, () => Math.round(0.4 * normal(random)));
    expect(repeatsOf({ time_s: axis(400, 1), value: coarse })).toBe(1);
  });
});

describe('front', () => {
  const time_s = axis(2000, 0.1);
  const lag_s = 0.0005;
  const at_s = 0.05013;
  /** 3 bar, a step of 2 bar, then a ramp of 50 bar/s, seen through the lag. */
  const value = time_s.map((t) => {
    const after = t - at_s;
    if (after < 0) return 3e5;
    return (
      3e5 + 2e5 * (1 - Math.exp(-after / lag_s)) + 5e6 * (after - lag_s + lag_s * Math.exp(-after / lag_s))
    );
  });
  const setting = {
    half_s: 0.0505,
    lag_s,
    lagHalfWidth_s: 0,
    step_s: 0.0005,
    before_s: 0.012,
    after_s: 0.012,
    growths_s: [],
  };

  test('instant between samples, step and ramp without the lag', () => {
    const front = fitFront({ time_s, value }, setting)!;
    expect(front.at_s).toBeCloseTo(at_s, 5);
    expect(front.step_Pa).toBeCloseTo(2e5, -3);
    expect(front.ramp_Paps / 5e6).toBeCloseTo(1, 2);
  });

  test('with noise the truth lies within three standard uncertainties', () => {
    const random = seeded(11);
    const front = fitFront({ time_s, value: value.map((v) => v + 1500 * normal(random)) }, setting)!;
    expect(Math.abs(front.at_s - at_s)).toBeLessThan(3 * front.atUncertainty_s + 2e-5);
    expect(Math.abs(front.step_Pa - 2e5)).toBeLessThan(3 * front.stepUncertainty_Pa);
  });

  test('a sensor said to answer at once, give or take 0.2 ms, may be one that does', () => {
    const random = seeded(12);
    const fast_s = axis(20_000, 0.1);
    const sharp = fast_s.map((t) => 3e5 + (t < at_s ? 0 : 2e5 + 5e6 * (t - at_s)) + 1500 * normal(random));
    const known = { ...setting, half_s: 0.0501, lag_s: 0, lagHalfWidth_s: 2e-4, step_s: 5e-5 };
    const front = fitFront({ time_s: fast_s, value: sharp }, known)!;
    expect(front.lag_s).toBeLessThan(1e-5);
    expect(front.sigma_Pa / 1500).toBeLessThan(1.1);
    expect(Math.abs(front.step_Pa - 2e5)).toBeLessThan(3 * front.stepUncertainty_Pa);
  });

  test('too few samples on either side: no fit', () => {
    expect(fitFront({ time_s, value }, { ...setting, after_s: 0.001 })).toBeNull();
  });

  test('rise time of a straight rise over 10 ms is 8 ms from 10 to 90 %', () => {
    const slow = time_s.map((t) => 3e5 + 2e5 * Math.min(1, Math.max(0, (t - 0.04) / 0.01)));
    expect(riseTime_s({ time_s, value: slow }, 0.045, 0.03, 0.02, 5e5)).toBeCloseTo(0.008, 6);
  });
});

describe('ring-down', () => {
  const time_s = axis(1000, 2);
  const ring = (f: number, decay_s: number) =>
    time_s.map((t) => 4e5 - 2000 * t + 2e5 * Math.exp(-t / decay_s) * Math.cos(2 * Math.PI * f * t + 0.4));

  test('frequency, decay, level and drift', () => {
    const fit = fitRing({ time_s, value: ring(31, 0.2) }, 0, { from_s: 0.08, to_s: 1 }, 30)!;
    expect(fit.frequency_Hz).toBeCloseTo(31, 1);
    expect(fit.decay_s / 0.2).toBeCloseTo(1, 1);
    expect(fit.level_Pa).toBeCloseTo(4e5, -3);
    expect(fit.explained).toBeGreaterThan(0.99);
  });

  test('works although 100 samples a second alias a 62 Hz ring: the band is known', () => {
    const slow = axis(100, 2);
    const value = slow.map((t) => 4e5 + 2e5 * Math.exp(-t / 0.2) * Math.cos(2 * Math.PI * 62 * t));
    expect(fitRing({ time_s: slow, value }, 0, { from_s: 0.05, to_s: 1 }, 60)!.frequency_Hz).toBeCloseTo(
      62,
      0,
    );
  });

  test('4 L f is the wave speed when nothing moves beyond the end', () => {
    const fit = fitRing({ time_s, value: ring(30, 0.2) }, 0, { from_s: 0.08, to_s: 1 }, 29)!;
    expect(ringWaveSpeed(fit, 10, 0, 1).value / 1200).toBeCloseTo(1, 3);
  });
});

describe('trip', () => {
  test('an edge lies between two samples, less the delay; a bounce shorter than 20 ms is none', () => {
    const time_s = axis(100, 1);
    const value = time_s.map((t) => (t < 0.5 && !(t > 0.295 && t < 0.305) ? 1 : 0));
    const series = seriesOf(channelOf('run', 'state'), time_s, value);
    const channel = {
      series,
      samples: series,
      step_s: 0.01,
      sigma: 0,
      bad: 0,
      repeats: 1,
      update: null,
      missing: [],
      clipped_s: [],
    };
    const bounds = edgeOf(channel, { channel: 'run', runningLevel: 1, delay_s: [0.005, 0.025] })!;
    expect(bounds.low_s).toBeCloseTo(0.49 - 0.025, 9);
    expect(bounds.high_s).toBeCloseTo(0.5 - 0.005, 9);
  });

  test('the knee of a pressure that falls by 10 bar/s', () => {
    const time_s = axis(1000, 3);
    const random = seeded(5);
    const value = time_s.map((t) => 5e5 + 1e4 * t - 1e6 * Math.max(0, t - 1.7) + 1000 * normal(random));
    const knee = kneeOf({ time_s, value }, 1000, { about_s: 1.71, within_s: 0.05, late_s: 0 })!;
    expect(Math.abs(knee.value - 1.7)).toBeLessThan(0.002);
    expect(Math.abs(guessKnee_s({ time_s, value }, 1000)! - 1.7)).toBeLessThan(0.03);
    const flat = time_s.map((t) => 5e5 + 1e4 * t + 1000 * normal(random));
    expect(guessKnee_s({ time_s, value: flat }, 1000)).toBeNull();
  });
});

describe('impulse', () => {
  const time_s = axis(1000, 2);
  const back = { value: new Float64Array(time_s.length).fill(4e5), loss_Pa: 0, uncertainty_Pa: 100 };
  const prior = {
    trip_s: 0.5,
    until_s: 1,
    density_kgpm3: 1000,
    approach_mps: { value: 2, uncertainty: 0.01 },
    length_m: { value: 10, uncertainty: 0.01 },
    backUncertainty_Pa: 100,
    holes: [],
  };
  /** 1 bar below the tank on 10 m of water: 10 m/s2. */
  const outlet = { time_s, value: time_s.map((t) => (t < 0.5 ? 4e5 : 3e5)) };

  test('rigid column: 2 m/s at 10 m/s2 reverses after 200 ms', () => {
    const motion = columnMotion(outlet, back, prior, [])!;
    expect(reversal_s(motion.velocity, { from_s: 0.5, to_s: 1 })).toBeCloseTo(0.7, 3);
    expect(motion.uncertaintyAt(0.7)).toBeGreaterThan(0.01);
  });

  test('without a meter a sighting at the end gives the approach velocity', () => {
    const blind = { ...prior, approach_mps: { value: 1.5, uncertainty: 1.5 } };
    const seen = { span: { from_s: 0.9, to_s: 0.9 }, velocity_mps: { value: -2, uncertainty: 0.005 } };
    const motion = columnMotion(outlet, back, blind, [seen])!;
    expect(motion.approach_mps.value).toBeCloseTo(2, 1);
    expect(motion.approach_mps.uncertainty).toBeLessThan(0.05);
  });

  test('characteristics: water at rest before a shut valve has no velocity', () => {
    const wave = { plateau_s: 0.02, back_Pa: 4e5, impedance: 1.2e6, velocityEarlier_mps: 0 };
    expect(valveVelocity_mps(0, () => 4e5, wave)).toBeCloseTo(0, 12);
    // 0.25 m/s backwards, stopped at t = 0: 1 bar under the tank before, 4 bar over it after (sag 1, step 3 + ramp 2).
    const pressure = (t: number) => (t < 0 ? 3e5 : 8e5);
    const velocity = valveVelocity_mps(-0.001, pressure, {
      ...wave,
      velocityEarlier_mps: -0.25 + 2e5 / 1.2e6,
    });
    expect(velocity).toBeCloseTo(-0.25, 1);
  });
});

describe('results', () => {
  test('nothing that is not a number ever leaves', () => {
    expect(measured(Number.NaN, 'm', 1, 'x').value).toBeNull();
    expect(bounded(1, 'm', Number.NEGATIVE_INFINITY, 2, 'x').value).toBeNull();
    expect(bounded(1, 'm', 3, 2, 'x')).toMatchObject({ low: 1, high: 3 });
  });

  test('a number lies above an interval, below it, or 0 outside', () => {
    expect([5, 1, 3, 2, 4].map((value) => outsideOf(value, [2, 4]))).toEqual([1, -1, 0, 0, 0]);
  });

  test('weighted mean, widened when the parts disagree', () => {
    const close = weighted([
      { value: 1, uncertainty: 0.1 },
      { value: 1.1, uncertainty: 0.1 },
    ]);
    expect(close.value).toBeCloseTo(1.05, 9);
    expect(close.uncertainty).toBeCloseTo(0.1 / Math.SQRT2, 9);
    const far = weighted([
      { value: 1, uncertainty: 0.1 },
      { value: 3, uncertainty: 0.1 },
    ]);
    expect(far.uncertainty).toBeCloseTo(1, 6);
  });

  test('an interval across a limit is at the limit', () => {
    const rule = { version: 'r', mild_mps: 0.15, severe_mps: 0.3 };
    const result = (value: number, half: number) => bounded(value, 'm/s', value - half, value + half, 'x');
    expect(classOf(result(0.1, 0.02), rule)).toBe('none');
    expect(classOf(result(0.14, 0.02), rule)).toBe('at-limit');
    expect(classOf(result(0.2, 0.02), rule)).toBe('mild');
    expect(classOf(result(0.4, 0.02), rule)).toBe('severe');
    expect(classOf({ value: null, reason: 'r' }, rule)).toBe('unknown');
  });
});
