import { describe, expect, it } from 'vitest';
import {
  allieviHeads_m,
  joukowskyStep_Pa,
  michaud_Pa,
  rigidColumn_Pa,
  seatingPeak_Pa,
  transmission_ratio,
  velocityOfStep_mps,
} from '../../daemon/hydraulics/joukowsky.ts';

const foot_m = 0.3048;

describe('sudden stop', () => {
  it('density * wave speed * change, both ways', () => {
    expect(joukowskyStep_Pa(998.2, 1200, 1)).toBe(1197840);
    expect(velocityOfStep_mps(998.2, 1200, 1197840)).toBe(1);
  });

  // US Army TM 5-813-9, fig. 4-5: 2690 ft/s, 6.48 ft/s, g = 32 ft/s2: 544.7 ft.
  it('544.7 ft of the published water-supply example', () => {
    const density = 1000;
    const rise_Pa = joukowskyStep_Pa(density, 2690 * foot_m, 6.48 * foot_m);
    const head_ft = rise_Pa / (density * 32 * foot_m) / foot_m;
    expect(Math.abs(head_ft - 544.725)).toBeLessThan(0.001);
  });

  // Chaudhry, Applied Hydraulic Transients, example 1-1 (from memory): 268.5 m with the velocity rounded.
  it('268 m for oil in a rigid pipe', () => {
    const head_m = joukowskyStep_Pa(900, 1290.994, 0.4 / (Math.PI * 0.25 ** 2)) / (900 * 9.81);
    expect(Math.abs(head_m / 268.5 - 1)).toBeLessThan(3e-3);
    expect(Math.abs(head_m - 268.093)).toBeLessThan(1e-3);
  });

  // Hwang & Houghtalen, ch. 4 (from memory): 857 psi.
  it('857 psi for 25 ft3/s in an 18 in pipe', () => {
    const velocity_mps = (25 * foot_m ** 3) / ((Math.PI / 4) * (18 * 0.0254) ** 2);
    const rise_psi = joukowskyStep_Pa(1.94 * 515.3788183932, 4510 * foot_m, velocity_mps) / 6894.757293168361;
    expect(Math.abs(rise_psi / 857 - 1)).toBeLessThan(5e-3);
    // The textbook prints 2.22 s for 2L/a of 5000 ft: longer than the closure of 1.4 s, so the stop is a sudden one.
    expect((2 * 5000) / 4510).toBeCloseTo(2.22, 2);
  });

  // Continuity at an area change, exact.
  it.each([
    [0.2, 0.1, 1.6],
    [0.1, 0.2, 0.4],
    [0.2, 0.15, 1.28],
  ])('passes from %d m to %d m bore: %d', (from_m, to_m, expected) => {
    expect(transmission_ratio(from_m ** 2, 1200, to_m ** 2, 1200)).toBeCloseTo(expected, 12);
  });
});

describe('slower stops', () => {
  // Michaud, evaluated by hand.
  it('40.7747 m for 500 m, 2 m/s, 5 s', () => {
    expect(michaud_Pa(1000, 500, 2, 5) / 9810).toBeCloseTo(40.7747, 4);
  });

  it('meets the sudden stop at 2 L / a', () => {
    expect(michaud_Pa(998, 500, 2, (2 * 500) / 1200)).toBeCloseTo(joukowskyStep_Pa(998, 1200, 2), 6);
  });

  it('peak over static of a 10 m leg holds 27 % more than the step', () => {
    const peak_Pa = seatingPeak_Pa(998.207, 1200, 10, 0.25, 8);
    expect(peak_Pa).toBeCloseTo(379318.66, 1);
    expect(rigidColumn_Pa(998.207, 10, 8)).toBeCloseTo(79856.56, 2);
    expect(velocityOfStep_mps(998.207, 1200, peak_Pa)).toBeCloseTo(0.31667, 5);
  });
});

describe('interlocking equations', () => {
  // Three frictionless linear closures; each value also from an independent characteristics run (Cr = 1).
  it.each([
    [
      100,
      2,
      1000,
      500,
      5,
      [122.99319521, 122.49946771, 122.59470141, 122.55871147, 122.58144676, 77.41855324],
    ],
    [
      100,
      2,
      1000,
      500,
      2,
      [170.69346624, 162.48666589, 37.51333411, 162.48666589, 37.51333411, 162.48666589],
    ],
    [50, 1.5, 1200, 60, 0.3, [79.36873496, 91.85148078, 91.04580706, 8.95419294, 91.04580706, 8.95419294]],
  ] as const)('static %d m, %d m/s, a %d, L %d, stop %d s', (head, velocity, a, length, stop_s, expected) => {
    const opening = expected.map((_, i) => Math.max(0, 1 - ((i + 1) * 2 * length) / a / stop_s));
    const heads = allieviHeads_m(head, velocity, a, 9.81, opening);
    for (const [i, value] of expected.entries()) expect(Math.abs(heads[i]! - value)).toBeLessThan(1e-6);
  });
});
