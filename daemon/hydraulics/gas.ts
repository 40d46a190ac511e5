/** Free gas in the liquid from a wave speed: A. B. Wood's mixture (1930) the other way round. SI. */
import type { PipeLiquid } from './pipe.ts';

/** What the gas is at; as in `gassyWaveSpeed_mps`. */
export interface GasState {
  readonly pressure_PaAbs: number;
  /** 1 for small bubbles, which stay at the temperature of the liquid; up to 1.4. */
  readonly polytropic_ratio: number;
  readonly temperature_K: number;
}

/** Specific gas constant of dry air, in J/(kg K). */
const airConstant = 287.05;

/**
 * Share of the volume, at that pressure, that would have to be air for the wave speed to fall from
 * `waveSpeedWithoutGas_mps` to `measured_mps`: the smaller root of (rho + x d)(C + x e) = 1/a^2, exact for
 * `gassyWaveSpeed_mps`. 0 when it has not fallen; null below the lowest speed any mixture has. A pipe that gives more
 * than assumed looks the same: this is what gas would explain, not proof of gas.
 */
export function freeGas_ratio(
  waveSpeedWithoutGas_mps: number,
  measured_mps: number,
  { density_kgpm3, bulkModulus_Pa }: PipeLiquid,
  { pressure_PaAbs, polytropic_ratio, temperature_K }: GasState,
): number | null {
  if (measured_mps >= waveSpeedWithoutGas_mps) return 0;
  const compliance = 1 / (density_kgpm3 * waveSpeedWithoutGas_mps ** 2);
  const lighter_kgpm3 = pressure_PaAbs / (airConstant * temperature_K) - density_kgpm3;
  const softer = 1 / (polytropic_ratio * pressure_PaAbs) - 1 / bulkModulus_Pa;
  const a = lighter_kgpm3 * softer;
  const b = density_kgpm3 * softer + lighter_kgpm3 * compliance;
  const c = density_kgpm3 * compliance - 1 / measured_mps ** 2;
  const square = b * b - 4 * a * c;
  if (!(square >= 0)) return null;
  // Written so that nothing cancels for a trace of gas.
  const share = (-2 * c) / (b + Math.sqrt(square));
  return share >= 0 && share <= 1 ? share : null;
}
