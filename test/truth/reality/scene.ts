/** The rigs of the study: one pump, one leg, drawn by seed, with ordinary instruments; the same ones under every effect. */
import type { PlantSpec } from '../../../daemon/hydraulics/network/plant-spec.ts';
import type { RigSpec } from '../../../daemon/virtual-rig/rig-spec.ts';
import type { SensorSpec } from '../../../daemon/virtual-rig/sensors.ts';
import { normal, type Random, type RigKind, randomRig, seeded, within } from '../../support/random-rig.ts';
import { randomSensors, type SensorSet } from '../../support/simulate-trip.ts';
import { type Knowledge, ordinaryKnowledge } from '../../support/trip-record.ts';

/** One rig as it is, and what the person who wrote its file knew. */
export interface Scene {
  readonly rig: RigSpec;
  readonly sensors: SensorSet;
  readonly knowledge: Knowledge;
  readonly random: Random;
}

/** Free swing, spring, damped by air, lever, damped by oil, axial: record k takes entry k. */
export const valveKinds: readonly RigKind[] = ['plain', 'spring', 'cushion', 'lever', 'dashpot', 'axial'];

/** Samples a second; with `rateOf` every kind meets every rate within 36 records. */
export const rates_Hz: readonly number[] = [500, 2000, 1000, 50, 5000, 200];

export function rateOf(k: number): number {
  return rates_Hz[(k + Math.floor(k / valveKinds.length)) % rates_Hz.length];
}

/** The contactor lets go so long after the pressure switch: room for a contact that opens early, in s. */
const contactor_s = 0.12;

/** Draws rig, instruments and knowledge; equal seeds give equal ones. */
export function drawScene(kind: RigKind, seed: number): Scene {
  const random = seeded(seed * 7919 + 29);
  normal(random);
  const drawn = randomRig(random, kind);
  const plant: PlantSpec = {
    ...drawn,
    tank: { ...drawn.tank, absorption_ratio: within(random, 0.02, 0.1) },
    pressureSwitch: { ...drawn.pressureSwitch!, contactorDelay_s: contactor_s },
  };
  const sensors = randomSensors(random);
  const knowledge = ordinaryKnowledge(random);
  return { rig: rigOf(plant, sensors, seed), sensors, knowledge, random };
}

/** The same instruments as sensors of the virtual rig; its lines stay out of it. */
function rigOf(plant: PlantSpec, set: SensorSet, seed: number): RigSpec {
  const pressure = (id: string, signal: SensorSpec['signal'], humShare: number): SensorSpec => ({
    id,
    signal,
    of: 0,
    lag_s: set.pressureLag_s,
    noise: set.pressureNoise_Pa,
    hum: humShare * set.hum_Pa,
    hum_Hz: set.humFrequency_Hz,
    offset: 0,
    gain_ratio: 1,
    range: [-1e5, 24e5],
    bits: set.bits,
    update_s: 0,
  });
  return {
    name: 'drawn',
    seed,
    plant,
    sensors: [
      pressure('outlet', 'outlet', 1),
      pressure('inlet', 'inlet', 0.9),
      pressure('tank', 'tank-pressure', 0.7),
      {
        ...pressure('meter', 'velocity', 0),
        lag_s: set.meterLag_s,
        noise: set.meterNoise_mps,
        offset: set.meterOffset_mps,
        range: [-10, 10],
        bits: null,
      },
    ],
    lines: [],
    cycle: {
      legs: [[0]],
      pause_s: 0,
      stagger_s: 0,
      settle_s: 3.3,
      giveUp_s: 8.5,
      drain_m3ps: 0,
      start_Pa: 0,
      contactDelay_s: [set.contactDelay_s, set.contactDelay_s],
      trips: 1,
    },
    faults: [],
    transport: 'auto',
  };
}
