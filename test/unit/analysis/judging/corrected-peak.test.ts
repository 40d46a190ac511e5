/** The correction of a peak and the effects on pressures and velocities, against numbers worked out by hand from their formulas. */
import { describe, expect, test } from 'vitest';
import type { Facts } from '../../../../daemon/analysis/finding/facts.ts';
import { correctPeak } from '../../../../daemon/analysis/judging/corrected-peak.ts';
import {
  differenceEffects,
  impedanceEffects,
  readingEffects,
  seatedEffects,
  waveSpeedDoubt,
} from '../../../../daemon/analysis/judging/shared-effects.ts';
import { channelOf } from '../../../support/independent-records.ts';

interface Case {
  readonly perPlateau?: number;
  readonly lag_s?: number;
  readonly tap_m?: number;
  readonly sigma?: number;
}

/**
 * A sharp closing: sag 0.8 bar, step 2.2 bar, peak 3 bar over static, plateau of 20 ms, leg of 10 m. Only what these
 * functions read of the facts is there.
 */
function factsOf({ perPlateau = 20, lag_s = 0, tap_m = 0, sigma = 0 }: Case = {}): Facts {
  const channel = channelOf('outlet', 'pressure', { responseTimeHalfWidth_s: 0.000196 });
  const value = Float64Array.of(4e5, 6.99e5, 7e5, 6.99e5, 4e5);
  return {
    signals: {
      constants: {
        perPlateau,
        plateau_s: 0.02,
        lag_s,
        tap_m,
        length_m: 10,
        ring_s: 0.0333,
        density_kgpm3: 1000,
        waveSpeed_mps: 1200,
      },
      outlet: {
        sigma,
        step_s: 0.001,
        samples: { time_s: value.map((_, k) => k / 1000), value },
        series: { channel },
      },
      leg: { waveSpeed_mps: 1200, waveSpeedHalfWidth_mps: 23.52 },
      liquid: { density_kgpm3: 1000, densityHalfWidth_kgpm3: 1.96 },
    },
    peak: { raw_Pa: 7e5, index: 2, at_s: 0.002 },
    static_Pa: 4e5,
    sag_Pa: 0.8e5,
    seat: {
      isSoftened: false,
      at_s: 0.0005,
      front: { step_Pa: 2.2e5, atUncertainty_s: 5e-4, atByLag_s: 3e-4 },
    },
  } as unknown as Facts;
}

describe('correction of the peak', () => {
  test('between samples a ramp of 0.8 bar over 20 of them hides 4 kPa on average', () => {
    const peak = correctPeak(factsOf())!;
    expect(peak.bySampling_Pa).toBeCloseTo(4000, 6);
    expect(peak.corrected_Pa - 7e5).toBeCloseTo(4000, 3);
  });

  test('a lag of 1 ms hides 2 sag tau / Tp = 8 kPa besides, of 5 ms also the step exp(-4)', () => {
    expect(correctPeak(factsOf({ lag_s: 0.001 }))!.byLag_Pa).toBeCloseTo(8000, 2);
    const slow = 2 * 0.8e5 * 0.25 + 2.2e5 * Math.exp(-4);
    expect(correctPeak(factsOf({ lag_s: 0.005 }))!.byLag_Pa).toBeCloseTo(slow, 6);
    expect(correctPeak(factsOf({ lag_s: 0.001 }))!.corrected_Pa - 7e5).toBeCloseTo(12_000, 2);
  });

  test('a tap 1 m from the seat misses a ninth of the sag on a leg of 10 m', () => {
    const [at, away] = [factsOf(), factsOf({ tap_m: 1 })].map((facts) => correctPeak(facts)!.corrected_Pa);
    expect(away - at).toBeCloseTo(0.8e5 / 9, 3);
  });

  test('noise of 1 kPa adds 0.6 sqrt(2 ln 5) kPa to the largest of 20 samples', () => {
    const more_Pa =
      correctPeak(factsOf({ sigma: 1000 }))!.corrected_Pa - correctPeak(factsOf())!.corrected_Pa;
    expect(more_Pa).toBeCloseTo(-600 * Math.sqrt(2 * Math.log(5)), 3);
  });

  test('capture: 3 of 3.04 bar on average, 3 of 3.08 bar at worst; less with a slow sensor', () => {
    const { fraction, worst } = correctPeak(factsOf())!;
    expect(fraction).toBeCloseTo(3 / 3.04, 6);
    expect(worst).toBeCloseTo(3 / 3.08, 6);
    expect(correctPeak(factsOf({ lag_s: 0.001 }))!.fraction).toBeCloseTo(3 / 3.12, 6);
  });
});

describe('effects of one standard uncertainty', () => {
  test('a wave speed of 1200 m/s +- 23.52 (95 %) is known to 1 %, a density of 1000 +- 1.96 to 0.1 %', () => {
    const facts = factsOf();
    expect(waveSpeedDoubt(facts)).toBeCloseTo(0.01, 8);
    const effects = new Map(impedanceEffects(facts, 0.5, [['noise', 1.2e6]]));
    expect(effects.get('noise')).toBeCloseTo(1, 8);
    expect(effects.get('density')).toBeCloseTo(-0.0005, 8);
    expect(effects.get('wave-speed')).toBeCloseTo(-0.005, 8);
  });

  test('the calibration counts whole on a reading; its fixed part cancels in a difference', () => {
    const channel = channelOf('p', 'pressure', { uncertainty: { absolute: 700, relative: 0.002 } });
    expect(readingEffects(channel, 5e5)).toEqual([
      ['calibration-offset', 700],
      ['calibration-slope', 1000],
    ]);
    expect(differenceEffects(channel, 2e5)).toEqual([['calibration-slope', 400]]);
  });

  test('the seating: noise without the part of the lag, lag with its sign, the way to the tap', () => {
    const effects = new Map(seatedEffects(factsOf({ tap_m: 1.2 })));
    expect(effects.get('noise')).toBeCloseTo(4e-4, 10);
    expect(effects.get('sensor-lag')).toBeCloseTo(-3e-4, 10);
    expect(effects.get('wave-speed')).toBeCloseTo(1e-5, 10);
  });
});
