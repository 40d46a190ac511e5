/** Seeded random test rigs, for statistics over many trips: bores, lengths, pumps and valves in ordinary ranges. */

import type { PlantSpec } from '../../daemon/hydraulics/network/plant-spec.ts';
import { exactStep_s, type PipeSpec, type ValveSpec } from '../../daemon/hydraulics/parts.ts';
import { baseBore_m, cushionValve, leverValve, plainValve, springValve } from './base-rig.ts';

/** Uniform in [0, 1). */
export type Random = () => number;

export type RigKind = 'spring' | 'lever' | 'plain' | 'cushion' | 'dashpot' | 'axial';

/** A small generator with 32 bits of state (mulberry32, public domain): the same seed, the same numbers everywhere. */
export function seeded(seed: number): Random {
  let state = seed >>> 0;
  return () => {
    state = (state + 0x6d2b79f5) >>> 0;
    let t = state;
    t = Math.imul(t ^ (t >>> 15), t | 1);
    t ^= t + Math.imul(t ^ (t >>> 7), t | 61);
    return ((t ^ (t >>> 14)) >>> 0) / 2 ** 32;
  };
}

export function within(random: Random, low: number, high: number): number {
  return low + (high - low) * random();
}

/** Standard normal, by Box and Muller. */
export function normal(random: Random): number {
  return Math.sqrt(-2 * Math.log(1 - random())) * Math.cos(2 * Math.PI * random());
}

/** Oil cylinder on a lever valve of DN150; scaled to other bores like the rest. */
const dashpotValve: ValveSpec = {
  ...leverValve,
  packing: { friction_Nm: 0.4, damping_Nms: 0.1 },
  dashpot: { coefficient_Nms2: 145, engage_rad: 0.15 },
};

/** Short-stroke disc on a spindle: metres, newtons and kilograms in place of radians, torques and inertias. */
const axialValve: ValveSpec = {
  ...springValve,
  disc: {
    ...springValve.disc,
    arm_m: 1,
    stop_rad: 0.025,
    seatTilt_rad: 0,
    inertia_kgm2: 1.2,
    weight_N: 0,
  },
  spring: { preload_Nm: 110, rate_Nmprad: 2000 },
  seatDamping_Nms: 14000,
  seatDampingReach_rad: 0.003,
};

const valves: Record<RigKind, ValveSpec> = {
  spring: springValve,
  lever: leverValve,
  plain: plainValve,
  cushion: cushionValve,
  dashpot: dashpotValve,
  axial: axialValve,
};

/**
 * The valve for another bore, k = bore over that of the base rig: weights and torques k^3, lengths k, inertia of the
 * disc k^5 and of a lever with its weight k^4 (moment k^3 at an arm k).
 * `force` and `gap` vary the closing torque and the gap on top. An axial disc scales in masses and forces.
 */
export function scaledValve(valve: ValveSpec, k: number, force = 1, gap = 1): ValveSpec {
  const { disc, lever, spring, packing, cushion, dashpot } = valve;
  const isAxial = disc.arm_m === 1;
  const torque = isAxial ? k ** 2 : k ** 3;
  const leverInertia_kgm2 = lever === null ? 0 : disc.inertia_kgm2 - plainValve.disc.inertia_kgm2;
  const discInertia_kgm2 = (disc.inertia_kgm2 - leverInertia_kgm2) * (isAxial ? k ** 3 : k ** 5);
  return {
    ...valve,
    disc: {
      ...disc,
      diameter_m: disc.diameter_m * k,
      arm_m: isAxial ? 1 : disc.arm_m * k,
      stop_rad: isAxial ? disc.stop_rad * k : disc.stop_rad,
      inertia_kgm2: discInertia_kgm2 + leverInertia_kgm2 * k ** 4,
      weight_N: disc.weight_N * k ** 3 * (lever === null && spring === null ? force : 1),
      gap_ratio: disc.gap_ratio * gap,
    },
    lever: lever === null ? null : { ...lever, moment_Nm: lever.moment_Nm * torque * force },
    spring:
      spring === null
        ? null
        : {
            preload_Nm: spring.preload_Nm * torque * force,
            rate_Nmprad: spring.rate_Nmprad * (isAxial ? k : torque) * force,
          },
    packing: {
      friction_Nm: packing.friction_Nm * torque,
      damping_Nms: packing.damping_Nms * k ** 4,
    },
    cushion:
      cushion === null
        ? null
        : {
            ...cushion,
            clearance_m3: cushion.clearance_m3 * k ** 3,
            piston_m2: cushion.piston_m2 * k ** 2,
            arm_m: cushion.arm_m * k,
            orifice_m2: cushion.orifice_m2 * k ** 3,
            refill_m2: cushion.refill_m2 * k ** 3,
          },
    dashpot: dashpot === null ? null : { ...dashpot, coefficient_Nms2: dashpot.coefficient_Nms2 * k ** 5 },
    seatDamping_Nms: valve.seatDamping_Nms * (isAxial ? k ** 2 : k ** 4),
    seatDampingReach_rad: valve.seatDampingReach_rad * (isAxial ? k : 1),
  };
}

/**
 * A rig with one pump and one leg: DN80, 100 or 150, leg 5-25 m (unless given), wave speed 1180-1340 m/s, trip at 3.5-8 bar, 2-3.4
 * m/s at the trip, set inertia half to twice the ordinary. The tank starts so low that it fills for about 2.6 s.
 */
export function randomRig(
  random: Random,
  kind: RigKind,
  legs_m: readonly [number, number] = [5, 25],
): PlantSpec {
  const bore_m = [0.0779, 0.1023, 0.1541][Math.floor(random() * 3)]!;
  const length_m = within(random, ...legs_m);
  const inletLength_m = within(random, 1, 3);
  const waveSpeed_mps = within(random, 1180, 1340);
  const trip_Pa = within(random, 3.5e5, 8e5);
  const velocity_mps = within(random, 2, 3.4);
  const inertia = 0.5 * 4 ** random();
  const valve = scaledValve(
    valves[kind],
    bore_m / baseBore_m,
    within(random, 0.85, 1.2),
    within(random, 0.9, 1.1),
  );
  const gravity_mps2 = 9.80665;
  const density_kgpm3 = 998.2;
  const atmosphere_PaAbs = 101325;
  const pipe = (pipe_m: number, pipeBore_m = bore_m): PipeSpec => ({
    length_m: pipe_m,
    bore_m: pipeBore_m,
    waveSpeed_mps,
    friction_ratio: 0.018,
    hasCavities: false,
  });
  const downstream = pipe(length_m);
  const flow_m3ps = velocity_mps * (Math.PI / 4) * bore_m ** 2;
  // Throttle 5, valve about 5, exit 1, entry and friction, all in velocity heads.
  const losses = 11.5 + (0.018 * (length_m + inletLength_m)) / bore_m;
  const head_m =
    trip_Pa / (density_kgpm3 * gravity_mps2) - 1.5 + (losses * velocity_mps ** 2) / (2 * gravity_mps2);
  const end_m3 = 27 * flow_m3ps * within(random, 0.6, 1.6);
  const start_m3 = end_m3 + 2.6 * flow_m3ps;
  const start_PaAbs = (trip_Pa + atmosphere_PaAbs) * (end_m3 / start_m3) ** 1.2;
  return {
    dt_s: exactStep_s(downstream, 0.25e-3),
    gravity_mps2,
    liquid: { density_kgpm3, vapourPressure_PaAbs: 2339, temperature_K: 293.15 },
    atmosphere_PaAbs,
    suction: { level_m: 1.5, entryLoss_ratio: 0.8, absorption_ratio: 0.12 },
    pumps: [
      {
        suction: pipe(1, 1.5 * bore_m),
        discharge: pipe(inletLength_m * 0.4),
        ratedFlow_m3ps: flow_m3ps,
        ratedHead_m: head_m,
        ratedSpeed_radps: (2 * Math.PI * 2900) / 60,
        efficiency_ratio: 0.72,
        mechanicalLoss_ratio: 0.02,
        inertia_kgm2: (0.143 * inertia * flow_m3ps * head_m) / (0.0222 * 59),
        motor: null,
      },
    ],
    legs: [
      {
        id: 'A',
        upstream: pipe(inletLength_m * 0.6),
        downstream,
        throttle_ratio: 5,
        exitLoss_ratio: 1,
        taps: {
          outlet_m: 3 * bore_m,
          inlet_m: Math.min(3 * bore_m, inletLength_m * 0.5),
          mid_m: length_m / 2,
          meter_m: 1,
        },
        valve,
      },
    ],
    tank: {
      pressure_Pa: start_PaAbs - atmosphere_PaAbs,
      airVolume_m3: start_m3,
      level_m: 0,
      surface_m2: 1e9,
      polytropic_ratio: 1.2,
      relaxation_s: null,
      absorption_ratio: 0.06,
    },
    pressureSwitch: { setPoint_Pa: trip_Pa, hysteresis_Pa: 0.3e5, contactorDelay_s: 0 },
  };
}
