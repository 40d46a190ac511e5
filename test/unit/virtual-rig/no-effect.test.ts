import { createHash } from 'node:crypto';
import { describe, expect, it } from 'vitest';
import { ObservedPlant } from '../../../daemon/virtual-rig/observed-plant.ts';
import { Random } from '../../../daemon/virtual-rig/random.ts';
import { loadRigFile } from '../../../daemon/virtual-rig/rig-file.ts';
import { Sensor } from '../../../daemon/virtual-rig/sensors.ts';
import { type RigKind, randomRig, seeded } from '../../support/random-rig.ts';

/**
 * Digests of what the rig showed before it knew any effect: a rig without one must show the same to the last bit.
 * They change only with the model of the plain rig itself.
 */
const plants: Record<RigKind, string> = {
  spring: '84ebfa4b5d9f5dcd',
  lever: '583ba84937955c56',
  plain: 'f98d8527fb1c2649',
  cushion: '4c10dcb96bf9b0ed',
  dashpot: 'a8916fb86684111b',
  axial: '60806cfbafb81add',
};
const demoSensors = '9cbe8b6ff286c35c';

/** Every state of the leg and the tank, step by step, until 1.5 s after the trip; and the truth. */
function plantDigest(kind: RigKind): string {
  const plant = new ObservedPlant(randomRig(seeded(4711), kind));
  plant.startPump(0);
  const hash = createHash('sha256');
  let end_s = Number.POSITIVE_INFINITY;
  while (plant.time_s < Math.min(end_s, 20)) {
    plant.step();
    if (!plant.hasDrive && end_s > 20) end_s = plant.time_s + 1.5;
    const { outlet_Pa, inlet_Pa, mid_Pa, velocity_mps, valveVelocity_mps, opening_ratio } = plant.legs[0]!;
    const { tank_Pa } = plant;
    hash.update(
      Float64Array.of(outlet_Pa, inlet_Pa, mid_Pa, velocity_mps, valveVelocity_mps, opening_ratio, tank_Pa),
    );
  }
  return hash.update(JSON.stringify(plant.truths)).digest('hex').slice(0, 16);
}

/** Readings of every sensor of the demo, with its noise, over two seconds from the start of the pumps. */
function sensorDigest(): string {
  const spec = loadRigFile('config/demo.rig.yaml');
  const plant = new ObservedPlant(spec.plant);
  const sensors = spec.sensors.map((sensor) => new Sensor(sensor, plant, new Random(spec.seed, sensor.id)));
  plant.startPump(0);
  const hash = createHash('sha256');
  for (let step = 0; step < 10_000; step++) {
    plant.step();
    for (const sensor of sensors) sensor.follow();
    hash.update(Float64Array.from(sensors, (sensor) => sensor.read(plant.time_s, 1)));
  }
  return hash.digest('hex').slice(0, 16);
}

describe('a rig without effects', () => {
  it.each(Object.keys(plants) as RigKind[])('moves its water as before: %s valve', (kind) => {
    expect(plantDigest(kind)).toBe(plants[kind]);
  });

  it('shows the readings it showed before', () => {
    expect(sensorDigest()).toBe(demoSensors);
  });
});
