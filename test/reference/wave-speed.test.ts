import { describe, expect, it } from 'vitest';
import {
  gassyWaveSpeed_mps,
  type PipeWall,
  pipeMaterials,
  restraintCoefficient,
  thickWallCoefficient,
  thinWallCoefficient,
  waveSpeed_mps,
} from '../../daemon/hydraulics/pipe.ts';

const inch_m = 0.0254;
const foot_m = 0.3048;
const psi_Pa = 6894.757293168361;
const water20 = { density_kgpm3: 998.207, bulkModulus_Pa: 2.1934e9 };

function wall(bore_m: number, wall_m: number, modulus_Pa: number, poisson = 0.3): PipeWall {
  return { bore_m, wall_m, modulus_Pa, poisson, restraint: 'anchored' };
}

describe('wave speed against published tables', () => {
  // Buried Pipe Design, p. 189, table 4.1 (ductile iron, ft/s); outside diameter and wall of the classes from
  // AWWA C150/C151 (from memory).
  it.each([
    [4.8, 0.26, 4409, 1342.944],
    [4.8, 0.29, 4452, 1357.117],
    [6.9, 0.25, 4206, 1280.785],
    [9.05, 0.27, 4085, 1244.85],
    [11.1, 0.29, 3996, 1218.06],
    [13.2, 0.31, 3919, 1195.252],
    [15.3, 0.33, 3859, 1176.232],
    [17.4, 0.34, 3783, 1153.298],
    [19.5, 0.35, 3716, 1132.858],
  ])('ductile iron, %d in outside, %d in wall: %d ft/s', (outside_in, wall_in, table_ftps, formula_mps) => {
    const pipe = wall((outside_in - 2 * wall_in) * inch_m, wall_in * inch_m, 24e6 * psi_Pa);
    const a = waveSpeed_mps(pipe, { density_kgpm3: 998.2, bulkModulus_Pa: 2.193e9 }, 1) / foot_m;
    expect(Math.abs(a / table_ftps - 1)).toBeLessThan(3e-3);
    // The formula evaluated independently.
    expect(Math.abs(a * foot_m - formula_mps)).toBeLessThan(0.01);
  });

  // Copper line, water at 15 degrees Celsius, anchored, thick wall: iwaponline.com/view-large/1085747, table 2
  // (mm, mm, m/s); modulus, coefficient and water from memory of the same experiments.
  it.each([
    [22.14, 1.63, 1319, 1318.85],
    [22.96, 1.22, 1273, 1272.74],
    [23.58, 0.91, 1217, 1217.36],
  ])('copper %d mm x %d mm: %d m/s', (bore_mm, wall_mm, published_mps, formula_mps) => {
    const pipe = wall(bore_mm / 1000, wall_mm / 1000, 124.1e9, 0.345);
    const a = waveSpeed_mps(pipe, { density_kgpm3: 999.1, bulkModulus_Pa: 2.149e9 }, 1.006);
    expect(Math.abs(a - published_mps)).toBeLessThan(1);
    expect(Math.abs(a - formula_mps)).toBeLessThan(0.01);
  });

  // Chaudhry, Applied Hydraulic Transients, example 1-1 (from memory).
  it('oil in a rigid pipe: 1291 m/s', () => {
    const a = waveSpeed_mps(wall(0.5, 0.01, Infinity), { density_kgpm3: 900, bulkModulus_Pa: 1.5e9 });
    expect(Math.abs(a - 1290.994)).toBeLessThan(1e-3);
  });

  // Hwang & Houghtalen, Fundamentals of Hydraulic Engineering Systems, ch. 4 (from memory): 4510 ft/s.
  it('steel in US units: 4510 ft/s', () => {
    const pipe = wall(18 * inch_m, 2 * inch_m, 2.8e7 * psi_Pa);
    const slugpft3_kgpm3 = 515.3788183932;
    const liquid = { density_kgpm3: 1.94 * slugpft3_kgpm3, bulkModulus_Pa: 3e5 * psi_Pa };
    const a_ftps = waveSpeed_mps(pipe, liquid, 1) / foot_m;
    expect(Math.abs(a_ftps / 4510 - 1)).toBeLessThan(5e-3);
    expect(Math.abs(a_ftps - 4506.6)).toBeLessThan(0.1);
  });
});

describe('restraint and wall', () => {
  const kinds = ['expansion-joints', 'upstream-anchored', 'anchored'] as const;
  // The formulas evaluated independently in double precision: thin, then thick.
  it.each([
    ['steel', 0.2, 0.008, 207e9, 0.3, [1318.014, 1339.217, 1330.613], [1309.061, 1329.01, 1320.922]],
    [
      'ductile iron',
      0.2,
      0.0063,
      170e9,
      0.28,
      [1248.536, 1274.733, 1263.005],
      [1239.545, 1264.363, 1253.261],
    ],
    ['copper', 0.02, 0.001, 120e9, 0.34, [1268.505, 1298.394, 1288.6], [1254.088, 1281.526, 1272.551]],
    ['PVC-U', 0.1808, 0.0096, 3e9, 0.45, [385.712, 433.896, 428.249], [368.34, 407.174, 402.728]],
    ['HDPE', 0.1636, 0.0182, 1e9, 0.46, [325.68, 368.499, 364.437], [295.598, 322.962, 320.488]],
  ] as const)('%s', (_name, bore, thickness, modulus, poisson, thin, thick) => {
    for (const [i, restraint] of kinds.entries()) {
      const pipe = { ...wall(bore, thickness, modulus, poisson), restraint };
      expect(
        Math.abs(waveSpeed_mps(pipe, water20, thinWallCoefficient(restraint, poisson)) - thin[i]),
      ).toBeLessThan(0.01);
      expect(Math.abs(waveSpeed_mps(pipe, water20, thickWallCoefficient(pipe)) - thick[i])).toBeLessThan(
        0.01,
      );
    }
  });

  it('takes the thick-wall form below bore / wall = 25', () => {
    const thickPipe = wall(0.2, 0.0081, 207e9);
    const thinPipe = wall(0.2, 0.008, 207e9);
    expect(restraintCoefficient(thickPipe)).toBe(thickWallCoefficient(thickPipe));
    expect(restraintCoefficient(thinPipe)).toBe(thinWallCoefficient('anchored', 0.3));
  });

  it('lists every material with its value inside its range', () => {
    for (const { modulus_Pa, modulusRange_Pa } of pipeMaterials) {
      expect(modulus_Pa).toBeGreaterThanOrEqual(modulusRange_Pa[0]);
      expect(modulus_Pa).toBeLessThanOrEqual(modulusRange_Pa[1]);
    }
  });
});

describe('free gas', () => {
  // Pearsall, The velocity of water hammer waves, Proc. IMechE 1965-66, abstract: 1 part of air in 10 000 halves it.
  it('1 part in 10 000 at atmospheric pressure takes away about half', () => {
    const sound = Math.sqrt(water20.bulkModulus_Pa / water20.density_kgpm3);
    const gas = { void_ratio: 1e-4, pressure_PaAbs: 101325, polytropic_ratio: 1, temperature_K: 293.15 };
    const a = gassyWaveSpeed_mps(sound, water20, gas);
    expect(a / sound).toBeGreaterThan(0.45);
    expect(a / sound).toBeLessThan(0.6);
    expect(Math.abs(a - 833)).toBeLessThan(1);
  });

  // Wood's equation evaluated independently: steel 200 mm x 8 mm, coefficient 0.91.
  it.each([
    [1e5, 1e-4, 799.92],
    [1e5, 1e-2, 100.31],
    [3e5, 1e-4, 1055.62],
    [5e5, 1e-3, 625.22],
    [10e5, 1e-5, 1319.02],
  ])('%d Pa, void %d', (pressure_PaAbs, void_ratio, expected) => {
    const dry = waveSpeed_mps(wall(0.2, 0.008, 207e9), water20, 0.91);
    const gas = { void_ratio, pressure_PaAbs, polytropic_ratio: 1, temperature_K: 293.15 };
    expect(Math.abs(gassyWaveSpeed_mps(dry, water20, gas) - expected)).toBeLessThan(0.05);
  });
});
