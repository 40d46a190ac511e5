/** Pressure of a stopped column, from the fastest stop to the slowest. SI; a positive velocity change is a stop. */

/**
 * Pressure rise in Pa where the velocity falls by `velocityChange_mps` within 2 L / a (Joukowsky 1898):
 * density * wave speed * change.
 */
export function joukowskyStep_Pa(
  density_kgpm3: number,
  waveSpeed_mps: number,
  velocityChange_mps: number,
): number {
  return density_kgpm3 * waveSpeed_mps * velocityChange_mps;
}

/** The velocity change in m/s that a pressure step at the valve tells; the inverse of `joukowskyStep_Pa`. */
export function velocityOfStep_mps(density_kgpm3: number, waveSpeed_mps: number, step_Pa: number): number {
  return step_Pa / (density_kgpm3 * waveSpeed_mps);
}

/** Pressure in Pa that slows a column as a whole: density * length * deceleration. Holds for stops >> L / a. */
export function rigidColumn_Pa(density_kgpm3: number, length_m: number, deceleration_mps2: number): number {
  return density_kgpm3 * length_m * deceleration_mps2;
}

/** Largest rise in Pa of a stop that is linear over `stop_s` > 2 L / a (Michaud 1878): 2 density L V / stop. */
export function michaud_Pa(
  density_kgpm3: number,
  length_m: number,
  velocity_mps: number,
  stop_s: number,
): number {
  return (2 * density_kgpm3 * length_m * velocity_mps) / stop_s;
}

/**
 * Peak over static at a valve that seats at once on a column running backwards at `reverse_mps` and still being
 * accelerated by `deceleration_mps2`: the step, and the ramp that follows it until 2 L / a. Frictionless.
 */
export function seatingPeak_Pa(
  density_kgpm3: number,
  waveSpeed_mps: number,
  length_m: number,
  reverse_mps: number,
  deceleration_mps2: number,
): number {
  return (
    joukowskyStep_Pa(density_kgpm3, waveSpeed_mps, reverse_mps) +
    rigidColumn_Pa(density_kgpm3, length_m, deceleration_mps2)
  );
}

/** Share of a pressure wave that passes on from pipe 1 into pipe 2 of another bore or wave speed; minus 1: reflected. */
export function transmission_ratio(
  area1_m2: number,
  waveSpeed1_mps: number,
  area2_m2: number,
  waveSpeed2_mps: number,
): number {
  const from = area1_m2 / waveSpeed1_mps;
  return (2 * from) / (from + area2_m2 / waveSpeed2_mps);
}

/**
 * Heads in m at a closing valve at times 2L/a, 4L/a, ... from Allievi's interlocking equations (1902; Parmakian,
 * Waterhammer Analysis; both from memory): frictionless, valve discharging to head 0.
 * `opening` holds the relative effective opening at those instants, `opening[0]` at 2L/a; it is 1 before.
 */
export function allieviHeads_m(
  staticHead_m: number,
  velocity_mps: number,
  waveSpeed_mps: number,
  gravity_mps2: number,
  opening: readonly number[],
): number[] {
  const pipeNumber = (waveSpeed_mps * velocity_mps) / (2 * gravity_mps2 * staticHead_m);
  let root = 1;
  let openingBefore = 1;
  return opening.map((openingNow) => {
    // z'^2 + 2 r eta' z' = 2 + 2 r eta z - z^2, with z^2 = head over static head and r the pipe number.
    const right = 2 + 2 * pipeNumber * openingBefore * root - root * root;
    const half = pipeNumber * openingNow;
    root = Math.sqrt(half * half + right) - half;
    openingBefore = openingNow;
    return staticHead_m * root * root;
  });
}
