import { describe, expect, it } from 'vitest';
import { bubbleFrequency_Hz, bubbleOfRing_m3, quarterWave_Hz } from '../../daemon/hydraulics/tapping-line.ts';
import {
  cornerFrequency_Hz,
  decayLagged_ratio,
  decaySampledMean_ratio,
  decaySampledWorst_ratio,
  lagAllowed_s,
  rectangleAveraged_ratio,
  rectangleCaught_ratio,
  rectangleLagged_ratio,
  rectangleLaggedSampled_ratio,
  riseTime_s,
  sawtoothSampledWorst_ratio,
  triangleAveraged_ratio,
  triangleLagged_ratio,
  triangleSampledMean_ratio,
  triangleSampledWorst_ratio,
} from '../../daemon/instruments/pulse-shown.ts';

// Closed forms of a first-order sensor and of uniform sampling; every value also from an independent calculation.
describe('what is left of a pulse', () => {
  const pulse_s = 1 / 60;

  it.each([
    [1e-3, 0.99999994],
    [5e-3, 0.96432601],
    [10e-3, 0.8111244],
    [50e-3, 0.28346869],
  ])('rectangle of 1/60 s, lag %d s: %d', (lag_s, ratio) => {
    expect(Math.abs(rectangleLagged_ratio(pulse_s, lag_s) - ratio)).toBeLessThan(1e-8);
  });

  it.each([
    [0.01, 0.95454846, 0.98613706],
    [0.05, 0.8541315, 0.93068755],
    [0.1, 0.77426368, 0.8620455],
    [0.2, 0.6687403, 0.73950454],
  ])('lag %d of the pulse: decay %d, triangle %d', (lag, decay, triangle) => {
    expect(Math.abs(decayLagged_ratio(1, lag) - decay)).toBeLessThan(1e-8);
    expect(Math.abs(triangleLagged_ratio(1, lag) - triangle)).toBeLessThan(1e-8);
  });

  it('decay sampled ten times in its time constant', () => {
    expect(Math.abs(decaySampledWorst_ratio(1, 0.1) - 0.90483742)).toBeLessThan(1e-8);
    expect(Math.abs(decaySampledMean_ratio(1, 0.1) - 0.95162582)).toBeLessThan(1e-8);
  });

  it.each([
    [1e-3, 0.99960376],
    [5e-3, 0.99707955],
    [10e-3, 0.96554681],
  ])('rectangle of 1/60 s, lag 2 ms, sampled every %d s: %d', (interval_s, ratio) => {
    expect(Math.abs(rectangleLaggedSampled_ratio(pulse_s, 2e-3, interval_s) - ratio)).toBeLessThan(1e-8);
  });

  it('a 100 ms transmitter shows 15 % of a 16.7 ms pulse', () => {
    expect(Math.abs(rectangleLagged_ratio(pulse_s, 0.1) - 0.1535)).toBeLessThan(1e-4);
  });

  it('limits by hand', () => {
    expect(rectangleCaught_ratio(0.01, 0.04)).toBe(0.25);
    expect(rectangleCaught_ratio(0.01, 0.005)).toBe(1);
    expect(rectangleAveraged_ratio(0.01, 0.02)).toBe(0.5);
    expect(triangleSampledWorst_ratio(1, 0.25)).toBe(0.75);
    expect(triangleSampledWorst_ratio(1, 2)).toBe(0);
    expect(triangleSampledMean_ratio(1, 0.5)).toBe(0.75);
    expect(triangleSampledMean_ratio(1, 1)).toBe(0.5);
    expect(triangleAveraged_ratio(1, 0.5)).toBe(0.75);
    expect(sawtoothSampledWorst_ratio(1, 0.1)).toBe(0.9);
    expect(decayLagged_ratio(1, 1)).toBeCloseTo(Math.exp(-1), 12);
    expect(() => rectangleLagged_ratio(0, 1)).toThrow('0 s found');
    expect(() => lagAllowed_s(1, 1)).toThrow('0 < share < 1');
  });

  // By sampling finely computed pulses at a thousand phases, without the formulas.
  it('is what a direct calculation of triangle, lag and phase finds', () => {
    const step_s = 1e-4;
    const lag_s = 0.1;
    let shown = 0;
    let largest = 0;
    for (let t = step_s / 2; t < 2; t += step_s) {
      const truth = Math.max(0, 1 - Math.abs(2 * t - 1));
      shown += (truth - shown) * -Math.expm1(-step_s / lag_s);
      largest = Math.max(largest, shown);
    }
    expect(Math.abs(largest - triangleLagged_ratio(1, lag_s))).toBeLessThan(1e-4);
    let mean = 0;
    for (let phase = 0; phase < 1000; phase++) {
      const nearest = Math.min(phase, 1000 - phase) / 1000;
      mean += (1 - 2 * 0.3 * nearest) / 1000;
    }
    expect(Math.abs(mean - triangleSampledMean_ratio(1, 0.3))).toBeLessThan(1e-6);
  });
});

// Textbook facts of a first-order sensor; digits computed independently.
describe('a first-order sensor', () => {
  it('rises in 2.197 time constants and corners at 159 Hz for 1 ms', () => {
    expect(Math.abs(riseTime_s(1) - 2.197225)).toBeLessThan(1e-6);
    expect(Math.abs(cornerFrequency_Hz(1e-3) - 159.155)).toBeLessThan(1e-3);
    expect(Math.abs(riseTime_s(1e-3) * cornerFrequency_Hz(1e-3) - 0.349699)).toBeLessThan(1e-6);
  });

  it.each([
    [0.05, 0.33381],
    [0.01, 0.21715],
    [0.001, 0.14476],
  ])('misses %d of a rectangle with a lag of %d of its width', (missing, lag) => {
    expect(Math.abs(lagAllowed_s(1, missing) - lag)).toBeLessThan(5.1e-6);
  });

  // Leg of 5 to 100 m at 1200 m/s: plateau 2 L / a in ms, lag for 1 % in ms.
  it.each([
    [5, 8.333, 1.81],
    [10, 16.667, 3.62],
    [20, 33.333, 7.24],
    [50, 83.333, 18.1],
    [100, 166.667, 36.2],
  ])('leg of %d m: %d ms, %d ms', (length_m, plateau_ms, lag_ms) => {
    const plateau_s = (2 * length_m) / 1200;
    expect(Math.abs(plateau_s * 1000 - plateau_ms)).toBeLessThan(6e-4);
    expect(Math.abs((lagAllowed_s(plateau_s, 0.01) * 1000) / lag_ms - 1)).toBeLessThan(2e-3);
  });
});

// Mass on an air spring, evaluated independently: line 0.3 m x 4 mm, 4 bar absolute, adiabatic.
describe('a bubble at the end of a tapping line', () => {
  const line = {
    length_m: 0.3,
    bore_m: 0.004,
    pressure_PaAbs: 4e5,
    density_kgpm3: 998.2,
    polytropic_ratio: 1.4,
  };

  it.each([
    [1, 771.5],
    [10, 244.0],
    [100, 77.2],
  ])('%d mm3 rings at %d Hz', (bubble_mm3, frequency_Hz) => {
    const bubble_m3 = bubble_mm3 * 1e-9;
    const found_Hz = bubbleFrequency_Hz({ ...line, bubble_m3 });
    expect(Math.abs(found_Hz - frequency_Hz)).toBeLessThan(0.06);
    expect(bubbleOfRing_m3(line, found_Hz) / bubble_m3).toBeCloseTo(1, 12);
  });

  it('the line alone: 1167 Hz; a 10 m leg: 30 Hz', () => {
    expect(Math.abs(quarterWave_Hz(1400, 0.3) - 1167)).toBeLessThan(0.5);
    expect(quarterWave_Hz(1200, 10)).toBe(30);
    expect(() => quarterWave_Hz(0, 1)).toThrow('waveSpeed_mps: 0 found');
    expect(() => bubbleFrequency_Hz({ ...line, bubble_m3: 0 })).toThrow('bubble_m3: 0 found');
  });
});
