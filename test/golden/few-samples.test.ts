/** The demo's softened leg at 50 samples/s, where one rise looks like another: the instant holds every candidate. */
import { expect, test } from 'vitest';
import { analyse } from '../../daemon/analysis/analyse.ts';
import { loadRigFile } from '../../daemon/virtual-rig/rig-file.ts';
import { seeded } from '../support/random-rig.ts';
import { perfectSensors, type SimulatedTrip, simulateTrip } from '../support/simulate-trip.ts';
import { recordOf } from '../support/trip-record.ts';

const { plant } = loadRigFile('config/demo.rig.yaml');
const sensors = { ...perfectSensors, pressureLag_s: 0.0005, meterLag_s: 0.15, contactDelay_s: 0.014 };
const noisy = { ...sensors, pressureNoise_Pa: 1200, meterNoise_mps: 0.006, bits: 14 };
const knowledge = { length: 0.001, waveSpeed: 0.005, meterLag: 0.05, pressureLag_s: 0.0005 };
const fine = simulateTrip(plant, { rate_Hz: 1000, sensors: noisy, random: seeded(1), before_s: 2 });

/** Every 20th sample from `phase` on. */
function thinned(phase: number): SimulatedTrip {
  const thin = <T extends Float64Array | Uint8Array>(all: T) =>
    all.filter((_: number, k: number) => k % 20 === phase) as T;
  return {
    ...fine,
    time_s: thin(fine.time_s),
    tank_Pa: thin(fine.tank_Pa),
    contact: thin(fine.contact),
    legs: fine.legs.map((leg) => ({
      ...leg,
      outlet_Pa: thin(leg.outlet_Pa),
      inlet_Pa: thin(leg.inlet_Pa),
      mid_Pa: thin(leg.mid_Pa),
      meter_mps: thin(leg.meter_mps),
    })),
  };
}

test('closing time of the cushioned leg at any phase of 50 samples/s, with and without inlet and tank', () => {
  const truth = fine.legs[0].truth;
  const closing_s = (truth.seating_s ?? Number.NaN) - truth.trip_s;
  for (let phase = 0; phase < 20; phase += 2) {
    for (const missing of [{}, { inlet: true, tank: true }]) {
      const record = recordOf(thinned(phase), plant, noisy, knowledge, missing);
      const { closingTime } = analyse(record, { revision: 1, software: 'test', reason: 'few samples' })
        .legs[0].results;
      if (closingTime.value === null) continue;
      expect(closingTime.low, `phase ${phase}`).toBeLessThanOrEqual(closing_s);
      expect(closingTime.high, `phase ${phase}`).toBeGreaterThanOrEqual(closing_s);
    }
  }
});
