/**
 * A leg without friction, exactly: a column between a valve and a constant tank pressure, by the method of
 * characteristics on a grid of whole steps (Wylie and Streeter, Fluid Transients in Systems, 1993, from memory).
 * The column slows evenly, reverses and is stopped at once; or is never stopped.
 */

import type { LegConfig } from '../../config/rig.ts';
import type { EventRecord, LegRecord } from '../../daemon/analysis/record.ts';
import { channelOf, seriesOf } from './independent-records.ts';
import { normal, seeded } from './random-rig.ts';

export interface SyntheticLeg {
  readonly rate_Hz: number;
  readonly approach_mps: number;
  /** Even deceleration after the trip. */
  readonly deceleration_mps2: number;
  /** Reverse velocity at which the valve seats; null: it never does. */
  readonly reverse_mps: number | null;
  readonly length_m: number;
  readonly waveSpeed_mps: number;
  readonly density_kgpm3: number;
  readonly tank_Pa: number;
  readonly noise_Pa: number;
  /** Added to every time stamp. */
  readonly offset_s: number;
  readonly lag_s: number;
  /** Share of a wave's impedance that the tank takes up: how fast the ring dies. */
  readonly absorption_ratio: number;
}

export const plainLeg: SyntheticLeg = {
  rate_Hz: 5000,
  approach_mps: 2.4,
  deceleration_mps2: 8,
  reverse_mps: 0.25,
  length_m: 10,
  waveSpeed_mps: 1200,
  density_kgpm3: 998.207,
  tank_Pa: 4e5,
  noise_Pa: 0,
  offset_s: 0,
  lag_s: 0,
  absorption_ratio: 0.03,
};

/** Trip of a synthetic record, in s after its start. */
export const syntheticTrip_s = 1.5;

/** Seating of a synthetic record, in s after its start. */
export function syntheticSeating_s(leg: SyntheticLeg): number {
  return syntheticTrip_s + (leg.approach_mps + (leg.reverse_mps ?? 0)) / leg.deceleration_mps2;
}

/** Outlet pressure at the valve at the given instants after the start of the record, in Pa. */
export function outlet_Pa(leg: SyntheticLeg, time_s: Float64Array): Float64Array {
  const cells = 400;
  const dt_s = leg.length_m / leg.waveSpeed_mps / cells;
  const impedance = leg.density_kgpm3 * leg.waveSpeed_mps;
  const sag_Pa = leg.density_kgpm3 * leg.length_m * leg.deceleration_mps2;
  const seating_s = leg.reverse_mps === null ? Number.POSITIVE_INFINITY : syntheticSeating_s(leg);
  const out = new Float64Array(time_s.length);
  let pressure = new Float64Array(cells + 1);
  let velocity = new Float64Array(cells + 1);
  let nextPressure = new Float64Array(cells + 1);
  let nextVelocity = new Float64Array(cells + 1);
  // Just before seating the whole column runs backwards alike, and the pressure falls straight to the valve.
  for (let i = 0; i <= cells; i++) {
    pressure[i] = leg.tank_Pa - sag_Pa * (1 - i / cells);
    velocity[i] = -(leg.reverse_mps ?? 0);
  }
  let now_s = seating_s;
  let lagged = leg.tank_Pa - sag_Pa;
  let k = 0;
  for (; k < time_s.length && time_s[k] < seating_s; k++) {
    out[k] = time_s[k] < syntheticTrip_s ? leg.tank_Pa : leg.tank_Pa - sag_Pa;
  }
  const share = leg.lag_s > 0 ? 1 - Math.exp(-dt_s / leg.lag_s) : 1;
  while (k < time_s.length) {
    // A little of each wave stays in the tank, so that the ring dies.
    nextVelocity[0] = 0;
    nextPressure[0] = pressure[1] - impedance * velocity[1];
    for (let i = 1; i < cells; i++) {
      const plus = pressure[i - 1] + impedance * velocity[i - 1];
      const minus = pressure[i + 1] - impedance * velocity[i + 1];
      nextPressure[i] = (plus + minus) / 2;
      nextVelocity[i] = (plus - minus) / (2 * impedance);
    }
    const arriving = pressure[cells - 1] + impedance * velocity[cells - 1];
    const absorbed = leg.absorption_ratio * impedance;
    nextVelocity[cells] = (arriving - leg.tank_Pa) / (impedance + absorbed);
    nextPressure[cells] = arriving - impedance * nextVelocity[cells];
    [pressure, nextPressure] = [nextPressure, pressure];
    [velocity, nextVelocity] = [nextVelocity, velocity];
    now_s += dt_s;
    lagged += share * (pressure[0] - lagged);
    while (k < time_s.length && time_s[k] <= now_s) out[k++] = lagged;
  }
  return out;
}

/** The event of a synthetic leg: outlet, mirrored inlet, meter without lag, tank, contact without delay. */
export function syntheticEvent(leg: SyntheticLeg, more: Partial<EventRecord> = {}, seconds = 6): EventRecord {
  const time_s = Float64Array.from(
    { length: Math.round(seconds * leg.rate_Hz) },
    (_, k) => (k + 0.37) / leg.rate_Hz,
  );
  const random = seeded(7);
  const noisy = (value: number) => (leg.noise_Pa > 0 ? value + leg.noise_Pa * normal(random) : value);
  const seating_s = leg.reverse_mps === null ? Number.POSITIVE_INFINITY : syntheticSeating_s(leg);
  const outlet = outlet_Pa(leg, time_s).map(noisy);
  const velocity = time_s.map((t) =>
    t < syntheticTrip_s
      ? leg.approach_mps
      : t < seating_s
        ? Math.max(-1.5, leg.approach_mps - leg.deceleration_mps2 * (t - syntheticTrip_s))
        : 0,
  );
  const sag_Pa = leg.density_kgpm3 * leg.length_m * leg.deceleration_mps2;
  const inlet = time_s.map((t, k) =>
    noisy(
      t < seating_s
        ? leg.tank_Pa + (t < syntheticTrip_s ? 0.2e5 : 0.05e5 - sag_Pa)
        : Math.max(-0.5e5, 0.5e5 - (outlet[k] - leg.tank_Pa) * Math.exp(-(t - seating_s) / 0.01)),
    ),
  );
  const stamps = time_s.map((t) => t + leg.offset_s);
  const pressure = (id: string) => channelOf(id, 'pressure', { responseTime_s: leg.lag_s });
  const config: LegConfig = {
    id: 'a',
    name: 'Leg A',
    bore_m: 0.1541,
    wall_m: 0.007,
    material: { name: 'steel', modulus_Pa: 207e9, poisson: 0.3 },
    restraint: 'anchored',
    length_m: leg.length_m,
    lengthHalfWidth_m: 0.01 * leg.length_m,
    inletLength_m: 0,
    inertiaRatio: 1,
    inertiaRatioHalfWidth: 0.01,
    waveSpeed_mps: leg.waveSpeed_mps,
    waveSpeedHalfWidth_mps: 24,
    waveSpeedFrom: 'given',
    rating_Pa: 16e5,
    valve: { id: 'v1', type: 'swing', size: 'DN150', serial: '', settings: '', rating_Pa: null },
    outlet: { channel: 'outlet', distance_m: 0 },
    inlet: { channel: 'inlet', distance_m: 0 },
    mid: null,
    meter: { channel: 'meter', distance_m: 1 },
    position: null,
  };
  const only: LegRecord = {
    leg: config,
    outlet: seriesOf(pressure('outlet'), stamps, outlet),
    inlet: seriesOf(pressure('inlet'), stamps, inlet),
    mid: null,
    meter: seriesOf(
      channelOf('meter', 'velocity', { uncertainty: { absolute: 0.002, relative: 0 } }),
      stamps,
      velocity,
    ),
    position: null,
  };
  return {
    id: 'synthetic',
    legs: [only],
    tank: seriesOf(
      pressure('tank'),
      stamps,
      time_s.map(() => noisy(leg.tank_Pa)),
    ),
    contact: seriesOf(
      channelOf('run', 'state'),
      stamps,
      time_s.map((t) => (t < syntheticTrip_s ? 1 : 0)),
    ),
    pressureSwitch: null,
    trip: {
      contact: { channel: 'run', runningLevel: 1, delay_s: [0, 0] },
      pressureSwitch: null,
      detected: true,
      tank: null,
    },
    liquid: {
      name: 'water',
      temperature_K: 293.15,
      density_kgpm3: leg.density_kgpm3,
      densityHalfWidth_kgpm3: 0.5,
      bulkModulus_Pa: 2.19e9,
      vapourPressure_PaAbs: 2339,
    },
    atmosphere_PaAbs: 101_325,
    severity: { version: 'rule of thumb 1', mild_mps: 0.1524, severe_mps: 0.3048 },
    ...more,
  };
}
