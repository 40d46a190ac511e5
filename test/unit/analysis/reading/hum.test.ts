/** Hum of the mains: taken out where it goes on, in phase, after the trip; a ripple that ends with the pump is left alone. */
import { describe, expect, test } from 'vitest';
import { withoutHum } from '../../../../daemon/analysis/reading/hum.ts';
import { normal, seeded } from '../../../support/random-rig.ts';

const noise_Pa = 1000;

/** Five seconds with a step of a bar in the middle, noise, and a wave. */
function record(wave: (t: number) => number, rate_Hz = 1000) {
  const random = seeded(11);
  const time_s = Float64Array.from({ length: 5 * rate_Hz }, (_, k) => 3 + k / rate_Hz);
  const value = time_s.map((t) => 5e5 + (t > 5.5 ? 1e5 : 0) + noise_Pa * normal(random) + wave(t));
  const plain = time_s.map((t) => 5e5 + (t > 5.5 ? 1e5 : 0));
  return { samples: { time_s, value }, plain, step_s: 1 / rate_Hz };
}

function spread(value: Float64Array, plain: Float64Array): number {
  return Math.sqrt(value.reduce((sum, each, k) => sum + (each - plain[k]) ** 2, 0) / value.length);
}

describe('hum of the mains', () => {
  test.each([
    [50, 1000],
    [49.85, 1000],
    [60.1, 500],
    [50.2, 5000],
  ])('%d Hz at %d samples/s with its third harmonic goes', (frequency_Hz, rate_Hz) => {
    const wave = (t: number) =>
      2e4 * Math.sin(2 * Math.PI * frequency_Hz * t + 1) + 4e3 * Math.cos(6 * Math.PI * frequency_Hz * t);
    const { samples, plain, step_s } = record(
      rate_Hz === 500 ? (t) => 2e4 * Math.sin(2 * Math.PI * frequency_Hz * t) : wave,
      rate_Hz,
    );
    const found = withoutHum(samples, step_s);
    expect(found?.hum.frequency_Hz).toBeCloseTo(frequency_Hz, 1);
    expect((found?.hum.amplitude ?? 0) / 2e4).toBeCloseTo(1, 1);
    expect(spread(found?.samples.value ?? samples.value, plain)).toBeLessThan(1.25 * noise_Pa);
  });

  test('a ripple of the shaft that ends with the pump is no hum', () => {
    const { samples, step_s } = record((t) => (t < 5.5 ? 2e4 * Math.sin(2 * Math.PI * 49.7 * t) : 0));
    expect(withoutHum(samples, step_s)).toBeNull();
  });

  test('neither is noise, nor a wave beside the mains', () => {
    expect(withoutHum(record(() => 0).samples, 1e-3)).toBeNull();
    expect(withoutHum(record((t) => 2e4 * Math.sin(2 * Math.PI * 54 * t)).samples, 1e-3)).toBeNull();
  });
});
