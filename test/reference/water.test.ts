import { describe, expect, it } from 'vitest';
import {
  waterBulkModulus_Pa,
  waterDensity_kgpm3,
  waterKinematicViscosity_m2ps,
  waterSoundSpeed_mps,
  waterVapourPressure_PaAbs,
  waterViscosity_Pas,
} from '../../daemon/hydraulics/water.ts';

/** IAPWS-95 and the IAPWS viscosity at 0.101325 MPa, by the open library `iapws` (jjgomera/iapws). */
const iapws = [
  { t: 4, density: 999.9749, bulk_GPa: 2.021, viscosity_mPas: 1.56729, nu: 1.56733, vapour: 813.513 },
  { t: 10, density: 999.7025, bulk_GPa: 2.09397, viscosity_mPas: 1.3059, nu: 1.30629, vapour: 1228.11 },
  { t: 15, density: 999.1026, bulk_GPa: 2.14702, viscosity_mPas: 1.13757, nu: 1.13859, vapour: 1705.68 },
  { t: 20, density: 998.2072, bulk_GPa: 2.19341, viscosity_mPas: 1.0016, nu: 1.0034, vapour: 2339.19 },
  { t: 25, density: 997.0476, bulk_GPa: 2.2335, viscosity_mPas: 0.89002, nu: 0.89266, vapour: 3169.82 },
  { t: 30, density: 995.6495, bulk_GPa: 2.26764, viscosity_mPas: 0.79722, nu: 0.80071, vapour: 4246.92 },
  { t: 40, density: 992.2164, bulk_GPa: 2.31935, viscosity_mPas: 0.65273, nu: 0.65785, vapour: 7385.11 },
];

describe('water against IAPWS', () => {
  it.each(iapws)('at $t degrees Celsius', ({ t, density, bulk_GPa, viscosity_mPas, nu, vapour }) => {
    const kelvin = t + 273.15;
    expect(Math.abs(waterDensity_kgpm3(kelvin) - density)).toBeLessThan(0.02);
    expect(Math.abs(waterBulkModulus_Pa(kelvin) / (bulk_GPa * 1e9) - 1)).toBeLessThan(1e-3);
    expect(Math.abs(waterViscosity_Pas(kelvin) / (viscosity_mPas * 1e-3) - 1)).toBeLessThan(5e-3);
    expect(Math.abs(waterKinematicViscosity_m2ps(kelvin) / (nu * 1e-6) - 1)).toBeLessThan(5e-3);
    expect(Math.abs(waterVapourPressure_PaAbs(kelvin) / vapour - 1)).toBeLessThan(1e-3);
  });
});

describe('water against its own sources', () => {
  // Speed of sound: 20 degrees Celsius as printed by the open R package `sonar` for Marczak (1997); the others are
  // the polynomial itself in double precision.
  it.each([
    [0, 1402.385],
    [5, 1426.1695],
    [10, 1447.289],
    [20, 1482.3795],
    [30, 1509.1672],
    [40, 1528.8936],
  ])('sound speed at %d degrees Celsius', (t, expected) => {
    expect(Math.abs(waterSoundSpeed_mps(t + 273.15) - expected)).toBeLessThan(1e-4);
  });

  it('prints what the R package prints for Marczak at 20 degrees Celsius', () => {
    expect(waterSoundSpeed_mps(293.15).toFixed(2)).toBe('1482.38');
  });

  // Tanaka et al. 2001.
  it.each([
    [10, 999.7027],
    [20, 998.20675],
    [30, 995.6488],
    [40, 992.21521],
  ])('density at %d degrees Celsius', (t, expected) => {
    expect(Math.abs(waterDensity_kgpm3(t + 273.15) - expected)).toBeLessThan(1e-5);
  });

  // Triple point and boiling point: IAPWS SR1-86(1992), from memory; the others are the equation itself.
  it.each([
    [273.16, 611.657],
    [300, 3536.7176],
    [373.1243, 101325.015],
    [500, 2639222.67],
  ])('vapour pressure at %d K', (kelvin, expected) => {
    expect(Math.abs(waterVapourPressure_PaAbs(kelvin) / expected - 1)).toBeLessThan(1e-6);
  });
});
