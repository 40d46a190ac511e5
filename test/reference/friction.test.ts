/**
 * Friction of the characteristics against steady pipe flow. The factor itself is given to the model (it has no roughness);
 * the tests find it from Colebrook's formula (1939, from memory) and hold the heads against published losses.
 */
import { describe, expect, it } from 'vitest';
import { holdDownstream, holdUpstream, pipeBench } from '../support/pipe-bench.ts';

/** Darcy factor by fixed-point iteration on 1/sqrt(f). */
function colebrook(reynolds: number, roughness_ratio: number): number {
  let inverse = 7;
  for (let k = 0; k < 200; k++) {
    inverse = -2 * Math.log10(roughness_ratio / 3.7 + (2.51 * inverse) / reynolds);
  }
  return 1 / inverse ** 2;
}

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

describe('Colebrook', () => {
  // Evaluated independently to 1e-14; the formula from memory.
  it.each([
    [1e4, 0, 0.03088295],
    [1e5, 0, 0.01798977],
    [1e5, 1e-4, 0.01851387],
    [1e5, 1e-3, 0.02217454],
    [1e6, 1e-4, 0.01344144],
    [1e6, 1e-3, 0.01994347],
    [1e7, 1e-5, 0.00899571],
    [5e4, 1e-2, 0.03908165],
  ])('Re %d, k/D %d: %d', (reynolds, roughness_ratio, factor) => {
    expect(Math.abs(colebrook(reynolds, roughness_ratio) - factor)).toBeLessThan(1e-7);
  });
});

describe('steady flow through the characteristics', () => {
  // Darcy-Weisbach, evaluated by hand: 200 mm, 100 m, k = 0.045 mm, 2 m/s lose 1.62883861 m.
  it('2 m/s by 1.62883861 m in 100 m of 200 mm', () => {
    const factor = colebrook((2 * 0.2) / 1.0034e-6, 4.5e-5 / 0.2);
    expect(Math.abs(factor - 0.0159734501)).toBeLessThan(1e-9);
    expect(Math.abs(settledVelocity_mps(factor, 100, 0.2, 1.62883861) - 2)).toBeLessThan(1e-6);
  });

  // White, Fluid Mechanics, ch. 6 (from memory): 200 ft of 6 in asphalted cast iron at 6 ft/s lose about 4.5 ft.
  it('6 ft/s by 4.5 ft in 200 ft of 6 in', () => {
    const foot_m = 0.3048;
    const factor = colebrook(270_000, 0.0008);
    expect(Math.abs(factor - 0.02)).toBeLessThan(5e-4);
    const found_ftps = settledVelocity_mps(factor, 200 * foot_m, 0.5 * foot_m, 4.5 * foot_m) / foot_m;
    // Two digits of the loss are a per cent and a half of the velocity.
    expect(Math.abs(found_ftps / 6 - 1)).toBeLessThan(0.015);
  });
});
