/** Wave speed of a liquid-filled elastic pipe, and what pipes are made of. SI. */

/** How the pipe is held along its axis. */
export type Restraint = 'upstream-anchored' | 'anchored' | 'expansion-joints';

export interface PipeWall {
  /** Internal diameter. */
  readonly bore_m: number;
  readonly wall_m: number;
  /** Young's modulus; `Infinity` for a rigid pipe. */
  readonly modulus_Pa: number;
  readonly poisson: number;
  readonly restraint: Restraint;
}

export interface PipeLiquid {
  readonly density_kgpm3: number;
  /** Isentropic. */
  readonly bulkModulus_Pa: number;
}

export interface PipeMaterial {
  readonly name: string;
  /** Usual value, and the range books give. */
  readonly modulus_Pa: number;
  readonly modulusRange_Pa: readonly [number, number];
  readonly poisson: number;
}

/** Below this bore over wall thickness the thick-wall form of the restraint coefficient is used. */
const thickWallBelow_ratio = 25;

/**
 * Moduli at 20 degrees Celsius. Wylie & Streeter, Fluid Transients in Systems (1993); Chaudhry, Applied Hydraulic
 * Transients; Thorley, Fluid Transients in Pipeline Systems (all from memory, ranges merged). Plastics: dynamic
 * values; they fall by 1-2 % per kelvin.
 */
export const pipeMaterials: readonly PipeMaterial[] = [
  { name: 'carbon steel', modulus_Pa: 207e9, modulusRange_Pa: [200e9, 212e9], poisson: 0.3 },
  { name: 'stainless steel', modulus_Pa: 195e9, modulusRange_Pa: [190e9, 200e9], poisson: 0.3 },
  { name: 'ductile iron', modulus_Pa: 165.5e9, modulusRange_Pa: [160e9, 172e9], poisson: 0.28 },
  { name: 'grey cast iron', modulus_Pa: 125e9, modulusRange_Pa: [80e9, 170e9], poisson: 0.25 },
  { name: 'copper', modulus_Pa: 120e9, modulusRange_Pa: [107e9, 131e9], poisson: 0.34 },
  { name: 'PVC-U', modulus_Pa: 3e9, modulusRange_Pa: [2.4e9, 3.5e9], poisson: 0.45 },
  { name: 'HDPE', modulus_Pa: 1e9, modulusRange_Pa: [0.7e9, 1.5e9], poisson: 0.46 },
  { name: 'GRP', modulus_Pa: 25e9, modulusRange_Pa: [9e9, 50e9], poisson: 0.3 },
  { name: 'concrete', modulus_Pa: 22e9, modulusRange_Pa: [14e9, 30e9], poisson: 0.12 },
];

/** Restraint coefficient of a thin wall, no unit (Wylie & Streeter 1993, ch. 1, from memory). */
export function thinWallCoefficient(restraint: Restraint, poisson: number): number {
  if (restraint === 'upstream-anchored') return 1 - poisson / 2;
  if (restraint === 'anchored') return 1 - poisson * poisson;
  return 1;
}

/** Restraint coefficient of a thick wall, no unit (same source). */
export function thickWallCoefficient(wall: PipeWall): number {
  const { bore_m, wall_m, poisson, restraint } = wall;
  const hoop = ((2 * wall_m) / bore_m) * (1 + poisson);
  return hoop + (bore_m / (bore_m + wall_m)) * thinWallCoefficient(restraint, poisson);
}

/** Thick-wall form where bore / wall < 25, else the thin-wall form. */
export function restraintCoefficient(wall: PipeWall): number {
  return wall.bore_m / wall.wall_m < thickWallBelow_ratio
    ? thickWallCoefficient(wall)
    : thinWallCoefficient(wall.restraint, wall.poisson);
}

/**
 * Wave speed in m/s, Korteweg's formula (1878): a = sqrt((K/rho) / (1 + c (K/E) (D/e))).
 * `coefficient` c follows from the wall unless given.
 */
export function waveSpeed_mps(
  wall: PipeWall,
  liquid: PipeLiquid,
  coefficient: number = restraintCoefficient(wall),
): number {
  const { density_kgpm3, bulkModulus_Pa } = liquid;
  const compliance = coefficient * (bulkModulus_Pa / wall.modulus_Pa) * (wall.bore_m / wall.wall_m);
  return Math.sqrt(bulkModulus_Pa / density_kgpm3 / (1 + compliance));
}

/**
 * Wave speed in m/s with free gas spread through the liquid: A. B. Wood (1930), Wylie & Streeter (from memory).
 * `void_ratio` is the share of the volume that is gas at `pressure_PaAbs`; `polytropic_ratio` 1 for small bubbles.
 * The gas is air; its mass counts too.
 */
export function gassyWaveSpeed_mps(
  waveSpeedWithoutGas_mps: number,
  liquid: PipeLiquid,
  gas: {
    readonly void_ratio: number;
    readonly pressure_PaAbs: number;
    readonly polytropic_ratio: number;
    readonly temperature_K: number;
  },
): number {
  const { void_ratio, pressure_PaAbs, polytropic_ratio, temperature_K } = gas;
  const { density_kgpm3, bulkModulus_Pa } = liquid;
  /** Specific gas constant of dry air, in J/(kg K). */
  const airConstant = 287.05;
  const airDensity_kgpm3 = pressure_PaAbs / (airConstant * temperature_K);
  const mixed_kgpm3 = density_kgpm3 * (1 - void_ratio) + airDensity_kgpm3 * void_ratio;
  const wallCompliance = 1 / (density_kgpm3 * waveSpeedWithoutGas_mps ** 2) - 1 / bulkModulus_Pa;
  const compliance =
    (1 - void_ratio) / bulkModulus_Pa + void_ratio / (polytropic_ratio * pressure_PaAbs) + wallCompliance;
  return 1 / Math.sqrt(mixed_kgpm3 * compliance);
}
