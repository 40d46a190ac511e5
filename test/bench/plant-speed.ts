/** How much faster than real time the hydraulic plant runs on one core. */

import type { PlantSpec } from '../../daemon/hydraulics/network/plant-spec.ts';
import { ObservedPlant } from '../../daemon/virtual-rig/observed-plant.ts';
import { baseLeg, baseRig, cushionValve, springValve, steelPipe } from '../support/base-rig.ts';
import type { BenchRow } from './row.ts';

const dt_s = 0.25e-3;

/** Two pumps, a cushioned and a spring valve, legs of 40 cells. */
function twoByTwo(hasCavities: boolean): PlantSpec {
  const base = baseRig(cushionValve);
  const length_m = 40 * 1275 * dt_s;
  const downstream = { ...steelPipe(length_m), hasCavities };
  const pump = base.pumps[0]!;
  return {
    ...base,
    dt_s,
    pumps: [pump, pump],
    legs: [
      { ...baseLeg(cushionValve, 'A', length_m), downstream },
      { ...baseLeg(springValve, 'B', length_m), downstream },
    ],
    tank: { ...base.tank, airVolume_m3: 0.75 },
  };
}

/** Plant seconds per CPU second over fill, trip, slam and ring-down; the best of a few runs, the machine is shared. */
function speed(hasCavities: boolean): number {
  let best = 0;
  for (let run = 0; run < 10; run++) {
    const plant = new ObservedPlant(twoByTwo(hasCavities));
    plant.startPump(0);
    plant.startPump(1);
    const start = process.cpuUsage();
    while (plant.time_s < 12) plant.step();
    const { user, system } = process.cpuUsage(start);
    if (plant.truths.length !== 2) throw new Error('the bench plant did not trip with both legs flowing');
    best = Math.max(best, plant.time_s / ((user + system) / 1e6));
  }
  return best;
}

export async function bench(report: (row: BenchRow) => void): Promise<void> {
  const figure = speed(false);
  report({
    name: 'plant, two pumps and two legs of 40 cells at 0.25 ms',
    figure: Math.round(figure),
    unit: 'x real time',
    target: '>= 120',
    meets: figure >= 120,
    note: `per CPU second, best of 10 runs of 12 s; with vapour cavities inside the legs ${Math.round(speed(true))}`,
  });
}
