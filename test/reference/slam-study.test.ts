/**
 * Peak over static against rho a V + rho L d over random rigs. The formula holds to 0.2 % for a stop at once; a real
 * disc takes time to seat and a real end absorbs, which another implementation of the model put at medians of about
 * 0.97 (spring), 0.98 (lever) and 0.93 (bare swing disc), 0.86-1.16 for 90 % of the slams. The 0.93 took the flow of the
 * very sub-step of the contact, which overshoots (plant-truth.ts): with it this plant gives 0.929, without it 0.969.
 */
import { describe, expect, it } from 'vitest';
import { seatingPeak_Pa } from '../../daemon/hydraulics/joukowsky.ts';
import { ObservedPlant } from '../../daemon/virtual-rig/observed-plant.ts';
import { type RigKind, randomRig, seeded } from '../support/random-rig.ts';

const slams = 60;

/**
 * Simulated over formula for the first slam of each rig, ascending. The first peak lies within 3 L / a of seating;
 * later slams of a re-opened valve may be worse, and are another matter.
 */
function ratios(kind: RigKind): number[] {
  const random = seeded(20);
  const found: number[] = [];
  for (let i = 0; i < slams; i++) {
    const spec = randomRig(random, kind);
    const { length_m, waveSpeed_mps } = spec.legs[0]!.downstream;
    const plant = new ObservedPlant(spec);
    plant.startPump(0);
    while (plant.truths[0]?.seating_s == null) plant.step();
    const truth = plant.truths[0]!;
    const seating_s = truth.seating_s!;
    while (plant.time_s < seating_s + (3 * length_m) / waveSpeed_mps) plant.step();
    const firstPeak_Pa = truth.peakAtValve_Pa;
    while (truth.staticAfter_Pa === null) plant.step();
    const formula_Pa = seatingPeak_Pa(
      spec.liquid.density_kgpm3,
      waveSpeed_mps,
      length_m,
      -truth.velocityAtSeating_mps!,
      truth.decelerationAtReversal_mps2!,
    );
    found.push((firstPeak_Pa - truth.staticAfter_Pa) / formula_Pa);
  }
  return found.sort((a, b) => a - b);
}

describe('peak over static against rho a V + rho L d', () => {
  it.each([
    ['spring', 0.97],
    ['lever', 0.98],
    ['plain', 0.97],
  ] as const)('%s: median about %d', (kind, median) => {
    const sorted = ratios(kind);
    const at = (share: number) => sorted[Math.round(share * (sorted.length - 1))]!;
    console.info(
      `${kind}, ${slams} slams: 5 % ${at(0.05).toFixed(3)}, ` +
        `median ${at(0.5).toFixed(3)}, 95 % ${at(0.95).toFixed(3)}`,
    );
    expect(Math.abs(at(0.5) - median)).toBeLessThan(0.02);
    expect(at(0.05)).toBeGreaterThan(0.82);
    expect(at(0.95)).toBeLessThan(1.3);
  });
});
