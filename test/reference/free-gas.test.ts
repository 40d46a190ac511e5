import { describe, expect, it } from 'vitest';
import { freeGas_ratio } from '../../daemon/hydraulics/gas.ts';
import { gassyWaveSpeed_mps, waveSpeed_mps } from '../../daemon/hydraulics/pipe.ts';

const water20 = { density_kgpm3: 998.207, bulkModulus_Pa: 2.1934e9 };
const air = { polytropic_ratio: 1, temperature_K: 293.15 };
const atmosphere_Pa = 101_325;
const sound_mps = Math.sqrt(water20.bulkModulus_Pa / water20.density_kgpm3);

describe('free gas from the wave speed', () => {
  // Pearsall, The velocity of water hammer waves, Proc. IMechE 1965-66, abstract: 1 part of air in 10 000 takes away half.
  it('half the speed at atmospheric pressure is about 1 part in 10 000', () => {
    const state = { ...air, pressure_PaAbs: atmosphere_Pa };
    const share = freeGas_ratio(sound_mps, sound_mps / 2, water20, state)!;
    expect(share).toBeGreaterThan(0.5e-4);
    expect(share).toBeLessThan(2e-4);
  });

  // Wood's equation (1930; from memory) evaluated independently: steel 200 mm x 8 mm, coefficient 0.91.
  it.each([
    [1e5, 1e-5, 1226.64],
    [1e5, 1e-4, 799.92],
    [1e5, 5e-4, 424.37],
    [1e5, 1e-3, 308.08],
    [1e5, 1e-2, 100.31],
    [3e5, 1e-5, 1293.08],
    [3e5, 1e-4, 1055.62],
    [3e5, 5e-4, 670.08],
    [3e5, 1e-3, 507.16],
    [3e5, 1e-2, 172.78],
    [5e5, 1e-5, 1307.71],
    [5e5, 1e-4, 1143.83],
    [5e5, 5e-4, 800.13],
    [5e5, 1e-3, 625.22],
    [5e5, 1e-2, 221.84],
    [10e5, 1e-5, 1319.02],
    [10e5, 1e-4, 1226.73],
    [10e5, 5e-4, 969.84],
    [10e5, 1e-3, 800.38],
    [10e5, 1e-2, 309.52],
  ])('%d Pa, void %d: %d m/s', (pressure_PaAbs, void_ratio, tabled_mps) => {
    const wall = {
      bore_m: 0.2,
      wall_m: 0.008,
      modulus_Pa: 207e9,
      poisson: 0.3,
      restraint: 'anchored',
    } as const;
    const dry_mps = waveSpeed_mps(wall, water20, 0.91);
    const state = { ...air, pressure_PaAbs };
    expect(
      Math.abs(gassyWaveSpeed_mps(dry_mps, water20, { ...state, void_ratio }) - tabled_mps),
    ).toBeLessThan(0.05);
    // The table has two decimals: 0.01 m/s of a fall is what the share can be known to.
    const found = freeGas_ratio(dry_mps, tabled_mps, water20, state)!;
    expect(Math.abs(found / void_ratio - 1)).toBeLessThan(0.01 / (dry_mps - tabled_mps) + 2e-4);
  });

  it('gives back what the mixture was made with, to rounding', () => {
    for (const void_ratio of [1e-9, 1e-6, 1e-4, 1e-2, 0.2, 0.4]) {
      for (const pressure_PaAbs of [0.5e5, 5e5, 20e5]) {
        const state = { polytropic_ratio: 1.2, temperature_K: 283.15, pressure_PaAbs };
        const speed_mps = gassyWaveSpeed_mps(1250, water20, { ...state, void_ratio });
        const found = freeGas_ratio(1250, speed_mps, water20, state)!;
        expect(Math.abs(found - void_ratio)).toBeLessThan(1e-9 * void_ratio + 1e-15);
      }
    }
  });

  it('is 0 where nothing is missing, and none where no mixture is so slow', () => {
    const state = { ...air, pressure_PaAbs: atmosphere_Pa };
    expect(freeGas_ratio(1300, 1300, water20, state)).toBe(0);
    expect(freeGas_ratio(1300, 1310, water20, state)).toBe(0);
    // Slowest near half gas, about 20 m/s at atmospheric pressure (Wood 1930; from memory).
    expect(freeGas_ratio(1300, 21, water20, state)).toBeGreaterThan(0.2);
    expect(freeGas_ratio(1300, 15, water20, state)).toBeNull();
  });
});
