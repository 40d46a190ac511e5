/**
 * Friction of the characteristics against steady pipe flow. The model is given the Darcy factor (it has no roughness), and so are
 * the tests; each says where its factor and its loss come from.
 */
import { describe, expect, it } from 'vitest';
import { holdDownstream, holdUpstream, pipeBench } from '../support/pipe-bench.ts';

/** The velocity that heads `loss_m` apart drive through the pipe once it has settled. */
function settledVelocity_mps(
  friction_ratio: number,
  length_m: number,
  bore_m: number,
  loss_m: number,
): number {
  const { reach } = pipeBench({
    length_m,
    bore_m,
    waveSpeed_mps: 1000,
    cells: 20,
    gravity_mps2: 9.80665,
    friction_ratio,
  });
  reach.fill(
    50,
    0.9 * Math.sqrt((2 * 9.80665 * bore_m * loss_m) / (friction_ratio * length_m)) * reach.area_m2,
  );
  for (let k = 0; k < 200_000; k++) {
    reach.advance();
    holdUpstream(reach, 50 + loss_m);
    holdDownstream(reach, 50);
  }
  return reach.flow_m3ps[10]! / reach.area_m2;
}

describe('steady flow through the characteristics', () => {
  // Darcy and Weisbach by hand, h = f L V^2 / (2 g D): 0.0159734501 x 100 m x (2 m/s)^2 / (2 x 9.80665 x 0.2 m) = 1.62883861 m.
  // The factor is that of Re 398 645 and k/D 2.25e-4 (Colebrook, 1939, from memory); any factor would do here.
  it('2 m/s by 1.62883861 m in 100 m of 200 mm with a factor of 0.0159734501', () => {
    expect(Math.abs(settledVelocity_mps(0.0159734501, 100, 0.2, 1.62883861) - 2)).toBeLessThan(1e-6);
  });

  // White, Fluid Mechanics, ch. 6 (from memory): 200 ft of 6 in asphalted cast iron at 6 ft/s, factor 0.0200, lose about 4.5 ft.
  it('6 ft/s by 4.5 ft in 200 ft of 6 in with a factor of 0.0200', () => {
    const foot_m = 0.3048;
    const found_ftps = settledVelocity_mps(0.02, 200 * foot_m, 0.5 * foot_m, 4.5 * foot_m) / foot_m;
    // Two digits of the loss are a per cent and a half of the velocity.
    expect(Math.abs(found_ftps / 6 - 1)).toBeLessThan(0.015);
  });

  // Twice the loss drives root 2 times the flow: friction is quadratic (Darcy and Weisbach).
  it('root 2 times as fast by twice the loss', () => {
    const once = settledVelocity_mps(0.02, 100, 0.2, 1);
    expect(settledVelocity_mps(0.02, 100, 0.2, 2) / once).toBeCloseTo(Math.SQRT2, 5);
  });
});
