import { expect, test } from 'vitest';
import type { RigConfig } from '../../../config/rig.ts';
import { rigView } from '../../../daemon/web/views.ts';
import type { SerialFramesLineSpec } from '../../../drivers/line-spec.ts';
import { syntheticConfig } from '../../support/synthetic-rig.ts';

/** Only what tells the rate is of interest. */
function withStream(rate_Hz: number): RigConfig {
  const line = {
    driver: 'serial-frames',
    id: 'stream',
    rate_Hz,
    channels: [{ id: 'a-outlet', source: 'analog', index: 0 }],
  } as unknown as SerialFramesLineSpec;
  return { ...syntheticConfig, lines: [line] };
}

const anchor = { time_s: 0, wall_ms: 0 };

test('what a leg needs to show a peak is told before the first trip', () => {
  // n_p = 2 fs (L - x)/a with L = 8.5 m, x = 0.3 m, a = 1275 m/s: a plateau of 12.863 ms.
  const [a, b] = rigView(withStream(5000), 's', anchor).legs;
  expect(a?.sampling?.plateau_s).toBeCloseTo(0.012863, 6);
  expect(a?.sampling?.samples).toBeCloseTo(64.31, 2);
  expect(a?.sampling?.needed_Hz).toBeCloseTo(621.95, 2);
  expect(a?.sampling?.recommended_Hz).toBeCloseTo(1554.88, 2);
  expect(a?.sampling?.responseTime_s).toBe(0.0005);
  // The outlet of the other leg stands on no line: only the recording knows.
  expect(b?.sampling).toBeNull();
});

test('the numbers behind the formulas go with the rig', () => {
  const rig = rigView(withStream(100), 's', anchor);
  expect(rig.density_kgpm3).toBe(998.2);
  expect(rig.legs[0]).toMatchObject({ waveSpeedHalfWidth_mps: 15, inertiaRatio: 1.05 });
  expect(rig.legs[0]!.sampling!.samples).toBeLessThan(8);
});
