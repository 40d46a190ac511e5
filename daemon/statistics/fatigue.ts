/**
 * Fatigue from counted cycles: a power law of stress and life, and Miner's sum. A screening estimate: welds, notches,
 * temperature, scratches and age are not in it, and it is no proof that a pipe is safe.
 */

/** Life N = coefficient * stress^-exponent, stress in Pa and whatever kind (peak, range) the line was made for. */
export interface FatigueLine {
  readonly name: string;
  readonly source: string;
  /** What the stress in the law is. */
  readonly stress: 'peak' | 'range';
  /** Cycles at 1 Pa. */
  readonly coefficient: number;
  readonly exponent: number;
  /** Stress in Pa below which a cycle does no damage; null = every cycle counts. */
  readonly limit_Pa: number | null;
}

const psi_Pa = 6894.757293168361;

/** PVC pressure pipe by peak hoop stress: N = 5.05e21 * (stress in psi)^-4.906. */
export const vinsonPvc: FatigueLine = {
  name: 'PVC, peak hoop stress (Vinson)',
  source:
    'Moser & Folkman, Buried Pipe Design, p. 211, eq. 4.17; the book warns that using the peak is unusual',
  stress: 'peak',
  coefficient: 5.05e21 * psi_Pa ** 4.906,
  exponent: 4.906,
  limit_Pa: null,
};

/** Cycles to failure at a stress > 0; Infinity at or below the limit and at 0. Throws RangeError for a negative stress. */
export function cyclesToFailure(line: FatigueLine, stress_Pa: number): number {
  if (!(stress_Pa >= 0)) throw new RangeError(`fatigue: stress ${stress_Pa} Pa found, >= 0 allowed`);
  if (line.limit_Pa !== null && stress_Pa <= line.limit_Pa) return Infinity;
  return line.coefficient * stress_Pa ** -line.exponent;
}

/**
 * Share of the life used by cycles of given stress, 1 = failure expected: sum of count / life (Palmgren 1924, Miner 1945;
 * from memory). The order of the cycles does not matter in this model; in the pipe it does.
 */
export function minerDamage_ratio(
  line: FatigueLine,
  cycles: Iterable<{ readonly stress_Pa: number; readonly count: number }>,
): number {
  let damage = 0;
  for (const { stress_Pa, count } of cycles) damage += count / cyclesToFailure(line, stress_Pa);
  return damage;
}

/**
 * Hoop stress in Pa of a pipe with outside diameter over wall `sdr_ratio` > 2 under a pressure (or a pressure range):
 * pressure (SDR - 1) / 2, the thin-wall formula on the mean diameter. Throws RangeError for a ratio of 2 or less.
 */
export function hoopStress_Pa(pressure_Pa: number, sdr_ratio: number): number {
  if (!(sdr_ratio > 2)) throw new RangeError(`hoop stress: SDR ${sdr_ratio} found, > 2 allowed`);
  return (pressure_Pa * (sdr_ratio - 1)) / 2;
}
