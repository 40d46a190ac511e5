/** One watch of a rig for the study of alarms: a stretch of rest, what an operator or a fault does, and rest again. */

import type { PlantSpec } from '../../daemon/hydraulics/network/plant-spec.ts';
import { ObservedPlant } from '../../daemon/virtual-rig/observed-plant.ts';
import type { LegTruth } from '../../daemon/virtual-rig/plant-truth.ts';
import { quality } from '../../drivers/driver.ts';
import { type Random, within } from '../support/random-rig.ts';
import type { SensorSet } from '../support/simulate-trip.ts';

/** What happens in a watch. The ones that end in a trip say so in their name. */
export const scenes = [
  'trip',
  'start',
  'throttling',
  'spikes while running',
  'trip with spikes',
  'hum while running',
  'trip with hum',
  'trip after a slow fill',
  'sensor drop-outs',
  'trip, valve stuck open',
] as const;

export type SceneName = (typeof scenes)[number];

/** Columns of a watch, one row a scan; SI. Noise, hum and faults are added as the rows are read. */
export interface Watch {
  readonly outlet_Pa: Float64Array;
  readonly inlet_Pa: Float64Array;
  readonly tank_Pa: Float64Array;
  readonly meter_mps: Float64Array;
  readonly contact: Uint8Array;
  /** Of the trip, on the clock of the rows; null when there is none. */
  readonly truth: LegTruth | null;
}

/** Runs the plant through a scene; a few dozen seconds of it, from the pump's start to rest or steady running. */
export function playScene(
  name: SceneName,
  spec: PlantSpec,
  sensors: SensorSet,
  rate_Hz: number,
  random: Random,
): Watch {
  const isStuck = name.includes('stuck');
  const [leg] = spec.legs;
  // Something holds the disc open with far more than the water can close it with.
  const held_Nm = leg.valve.disc.arm_m === 1 ? 5e4 : 5e6 * leg.valve.disc.diameter_m ** 3;
  const stuck = { ...leg.valve, spring: { preload_Nm: -held_Nm, rate_Nmprad: 0 } };
  const legs = isStuck ? [{ ...leg, valve: stuck }] : spec.legs;
  const plant = new ObservedPlant({ ...spec, legs, pressureSwitch: null });
  const trips = name.startsWith('trip');
  const start_s = 2;
  const trip_s = trips ? start_s + within(random, 6, 9) : Number.POSITIVE_INFINITY;
  const end_s = trips ? trip_s + 9.5 : 20;
  const throttled = within(random, 0.15, 0.5);
  const turn_s = within(random, 0.5, 3);
  const slow = within(random, 0.04, 0.11);
  const area_m2 = (Math.PI / 4) * leg.downstream.bore_m ** 2;
  const columns: [number[], number[], number[], number[], number[]] = [[], [], [], [], []];
  const share = (lag_s: number) => 1 - Math.exp(-plant.dt_s / lag_s);
  const fast = share(sensors.pressureLag_s);
  const lagging = share(sensors.meterLag_s);
  const state = plant.legs[0];
  const now = [state.outlet_Pa, state.inlet_Pa, plant.tank_Pa, state.velocity_mps];
  // The tank would drain through a valve that is held open, so it is shut off until the pump starts, and at rest.
  if (isStuck) plant.setIsolation(0, 0);
  const idle_s = isStuck ? 5 : 0;
  while (plant.time_s < idle_s) plant.step();
  now[0] = state.outlet_Pa;
  now[1] = state.inlet_Pa;
  let next_s = 0;
  let isStarted = false;
  let isTripped = false;
  let drain_m3ps = 0;
  while (plant.time_s - idle_s < end_s) {
    const t = plant.time_s - idle_s;
    if (!isStarted && t >= start_s) {
      plant.startPump(0);
      isStarted = true;
      if (isStuck) plant.setIsolation(0, 1);
      if (name.includes('slow')) plant.setIsolation(0, slow);
    }
    if (!isTripped && t >= trip_s) {
      plant.trip();
      isTripped = true;
    }
    if (name === 'throttling' && t > 8) {
      const turned = Math.min(1, Math.max(0, (t - 8) / turn_s)) - Math.min(1, Math.max(0, (t - 14) / turn_s));
      plant.setIsolation(0, 1 - (1 - throttled) * turned);
    }
    // The tank is kept level while the pump runs, but for the last 2.5 s before a trip, which are a fill.
    const isFilling = trips && t > trip_s - 2.5;
    drain_m3ps += 0.002 * ((isFilling || !isStarted ? 0 : state.velocity_mps * area_m2) - drain_m3ps);
    plant.setDrain(Math.max(0, drain_m3ps));
    plant.step();
    now[0] += fast * (state.outlet_Pa - now[0]);
    now[1] += fast * (state.inlet_Pa - now[1]);
    now[2] += fast * (plant.tank_Pa - now[2]);
    now[3] += lagging * (state.velocity_mps - now[3]);
    while (next_s <= plant.time_s - idle_s) {
      for (let c = 0; c < 4; c++) columns[c].push(now[c]);
      columns[4].push(isStarted && plant.time_s - idle_s < trip_s + sensors.contactDelay_s ? 1 : 0);
      next_s += 1 / rate_Hz;
    }
  }
  const [outlet, inlet, tank, meter, contact] = columns;
  return {
    outlet_Pa: Float64Array.from(outlet),
    inlet_Pa: Float64Array.from(inlet),
    tank_Pa: Float64Array.from(tank),
    meter_mps: Float64Array.from(meter),
    contact: Uint8Array.from(contact),
    truth: isStuck || !isTripped ? null : (plant.truths[0] ?? null),
  };
}

/** Faults laid over the readings of one watch. */
export interface Faults {
  /** Mains hum in Pa at outlet and inlet, and its frequency. */
  readonly hum_Pa: readonly [number, number];
  readonly hum_Hz: number;
  /** Spikes a second in one of the pressures, of up to so many Pa. */
  readonly spikes_Hz: number;
  readonly spike_Pa: number;
  /** Drop-outs a second: bad quality, a frozen value, or a reading at the lower end of the range. */
  readonly dropouts_Hz: number;
}

export function faultsOf(name: SceneName, sensors: SensorSet, random: Random): Faults {
  const isHum = name.includes('hum');
  const isSpiky = name.includes('spikes');
  const size_Pa = isHum ? within(random, 0.1e5, 0.5e5) : sensors.hum_Pa;
  return {
    hum_Pa: [size_Pa, size_Pa * within(random, 0.5, 1)],
    hum_Hz: sensors.humFrequency_Hz + within(random, -0.05, 0.05),
    spikes_Hz: isSpiky ? 0.5 : 0,
    spike_Pa: within(random, 3e5, 15e5),
    dropouts_Hz: name.includes('drop-outs') ? 0.05 : 0,
  };
}

/** Bits of a sample that says nothing. */
export const dropped = quality.invalid;
