/** A sensor that fails to a constant reading is no surge, on the way there nor back; a real surge still is one. */
import { describe, expect, test } from 'vitest';
import { PressureWatch } from '../../../daemon/recorder/pressure-watch.ts';
import { normal, seeded } from '../../support/random-rig.ts';

/** Surges counted over six seconds of noise at 4 bar, with what `reading` puts in its place. */
function surges(rate_Hz: number, reading: (t_s: number, noise_Pa: number) => number | null): number {
  const watch = new PressureWatch(1 / rate_Hz, 12_000, 1 / 200);
  const random = seeded(7);
  const perBin = Math.max(1, Math.round(rate_Hz / 200));
  let count = 0;
  for (let k = 0; k < 6 * rate_Hz; k++) {
    const t_s = k / rate_Hz;
    const noise_Pa = 2000 * normal(random);
    const value = reading(t_s, noise_Pa) ?? 4e5 + noise_Pa;
    watch.gather(Float64Array.of(50 * Math.round(value / 50)), 0, 1, 0, 1);
    if ((k + 1) % perBin !== 0) continue;
    watch.finish((k + 1) / rate_Hz);
    if (!Number.isNaN(watch.surge_s)) count++;
  }
  return count;
}

describe.each([100, 500, 1000, 5000])('at %i Hz', (rate_Hz) => {
  test.each([
    ['the lower end of the range', -1e5],
    // 21 mA of 4 to 20 mA for 0 to 16 bar, where NAMUR NE 43 lets a failed instrument drive its loop (from memory).
    ['the fail band above 20 mA', 17e5],
  ])('a drop-out to %s and back', (_, level_Pa) => {
    const dead = (t_s: number) => (t_s > 2.003 && t_s < 4.007 ? level_Pa : null);
    expect(surges(rate_Hz, dead)).toBe(0);
  });

  test('the same step with a living reading is a surge', () => {
    expect(surges(rate_Hz, (t_s, noise_Pa) => (t_s > 2.003 ? 17e5 + noise_Pa : null))).toBe(1);
  });

  test('a surge that is cut off at the end of the range for 40 ms at a time is one', () => {
    const cut = (t_s: number, noise_Pa: number) => {
      if (t_s < 2 || t_s > 2.5) return null;
      return Math.min(16e5, 4e5 + noise_Pa + 20e5 * Math.exp(-(t_s - 2)) * Math.sin(39.27 * 2 * (t_s - 2)));
    };
    expect(surges(rate_Hz, cut)).toBeGreaterThan(0);
  });
});
