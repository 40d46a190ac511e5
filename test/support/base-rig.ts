/**
 * The rig that the golden numbers of the plant belong to: a 4 in schedule 40 loop of 5 m with one valve. Its
 * dimensions are ordinary catalogue ones; valve coefficients and cushion are plausible choices, not measured.
 */

import type { LegSpec, PlantSpec } from '../../daemon/hydraulics/network/plant-spec.ts';
import { exactStep_s, type PipeSpec, type ValveSpec } from '../../daemon/hydraulics/parts.ts';

export const baseBore_m = 0.1023;
const wave_mps = 1275;

export function steelPipe(length_m: number, bore_m: number = baseBore_m): PipeSpec {
  return { length_m, bore_m, waveSpeed_mps: wave_mps, friction_ratio: 0.018, hasCavities: false };
}

/** Swing disc with lever and weight, and an air cushion. */
export const cushionValve: ValveSpec = {
  disc: {
    diameter_m: 0.1,
    arm_m: 0.06,
    stop_rad: 1.1,
    seatTilt_rad: 0.05,
    inertia_kgm2: 0.245,
    weight_N: 25,
    contraction_ratio: 0.62,
    gap_ratio: 0.5,
    bodyLoss_ratio: 0.8,
    openForce_ratio: 0.84,
  },
  lever: { moment_Nm: 8.5, angle_rad: -0.25 },
  spring: null,
  packing: { friction_Nm: 1.3, damping_Nms: 0.1 },
  cushion: {
    clearance_m3: 4e-6,
    piston_m2: 50.3e-4,
    arm_m: 0.2,
    polytropic_ratio: 1.3,
    orifice_m2: 6.36e-6,
    refill_m2: 600e-6,
    discharge_ratio: 0.7,
  },
  dashpot: null,
  seatDamping_Nms: 50,
  seatDampingReach_rad: 0.05,
  subSteps: 8,
};

/** The same without its cushion. */
export const leverValve: ValveSpec = { ...cushionValve, cushion: null };

/** The same without cushion and lever, and with little more than bearing friction: a bare swing disc. */
export const plainValve: ValveSpec = {
  ...cushionValve,
  cushion: null,
  lever: null,
  packing: { friction_Nm: 0.2, damping_Nms: 0.1 },
  disc: { ...cushionValve.disc, inertia_kgm2: 0.022 },
};

/** Light disc of short stroke, closed by a spring. */
export const springValve: ValveSpec = {
  disc: {
    diameter_m: 0.1,
    arm_m: 0.06,
    stop_rad: 0.6,
    seatTilt_rad: 0.7,
    inertia_kgm2: 0.006,
    weight_N: 12,
    contraction_ratio: 0.62,
    gap_ratio: 1.2,
    bodyLoss_ratio: 1,
    openForce_ratio: 0.7,
  },
  lever: null,
  spring: { preload_Nm: 8, rate_Nmprad: 6 },
  packing: { friction_Nm: 0, damping_Nms: 0 },
  cushion: null,
  dashpot: null,
  seatDamping_Nms: 50,
  seatDampingReach_rad: 0.05,
  subSteps: 4,
};

export function baseLeg(valve: ValveSpec, id = 'A', length_m = 5): LegSpec {
  return {
    id,
    upstream: steelPipe(1.5),
    downstream: steelPipe(length_m),
    throttle_ratio: 5,
    exitLoss_ratio: 1,
    taps: { outlet_m: 0.3, inlet_m: 0.3, mid_m: length_m / 2, meter_m: 1 },
    valve,
  };
}

/** One pump, one leg, trip at 5.5 bar; the tank starts so that 0.0739 m3 have to flow in first (about 3.2 s). */
export function baseRig(valve: ValveSpec, wanted_s = 0.25e-3): PlantSpec {
  const leg = baseLeg(valve);
  const atmosphere_PaAbs = 101325;
  const trip_Pa = 5.5e5;
  const start_m3 = 0.6739;
  const start_PaAbs = (trip_Pa + atmosphere_PaAbs) * (0.6 / start_m3) ** 1.2;
  return {
    dt_s: exactStep_s(leg.downstream, wanted_s),
    gravity_mps2: 9.81,
    liquid: { density_kgpm3: 1000, vapourPressure_PaAbs: 2339, temperature_K: 293.15 },
    atmosphere_PaAbs,
    suction: { level_m: 1.5, entryLoss_ratio: 0.8, absorption_ratio: 0.12 },
    pumps: [
      {
        suction: steelPipe(1, 0.154),
        discharge: steelPipe(1),
        ratedFlow_m3ps: 0.0222,
        ratedHead_m: 59,
        ratedSpeed_radps: (2 * Math.PI * 2900) / 60,
        efficiency_ratio: 0.72,
        mechanicalLoss_ratio: 0.02,
        inertia_kgm2: 0.143,
        motor: null,
      },
    ],
    legs: [leg],
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
