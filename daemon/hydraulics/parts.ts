/**
 * What the elements of the transient model are made of. SI; heads and levels over the pipe axis, which is the datum;
 * pressures gauge.
 */
import type { CreepSpec } from './wall-creep.ts';

/** A straight, horizontal pipe run. */
export interface PipeSpec {
  readonly length_m: number;
  readonly bore_m: number;
  /** Wanted wave speed; the grid takes `gridWaveSpeed_mps`, the nearest that divides the length into whole cells. */
  readonly waveSpeed_mps: number;
  /** Darcy friction factor, 0 = frictionless. */
  readonly friction_ratio: number;
  /** Whether vapour cavities may open at inner nodes. At the valve faces they always may. */
  readonly hasCavities: boolean;
  /** A wall that creeps; absent: it is elastic. Not together with cavities. */
  readonly creep?: CreepSpec;
}

/**
 * Induction motor by its breakdown point: torque over rated torque of the pump = 2 Tb / (s/sb + sb/s),
 * slip s = 1 - speed / `noLoadSpeed_ratio` (Kloss's formula, from memory).
 */
export interface MotorSpec {
  readonly breakdownTorque_ratio: number;
  readonly breakdownSlip_ratio: number;
  /** Speed at no load over rated speed. */
  readonly noLoadSpeed_ratio: number;
}

export interface PumpSpec {
  /** Suction vessel to pump. */
  readonly suction: PipeSpec;
  /** Pump to header. */
  readonly discharge: PipeSpec;
  readonly ratedFlow_m3ps: number;
  readonly ratedHead_m: number;
  readonly ratedSpeed_radps: number;
  /** At the rated point. */
  readonly efficiency_ratio: number;
  /** Bearing and seal torque over rated torque. */
  readonly mechanicalLoss_ratio: number;
  /** Pump, motor, coupling and the water in the impeller. */
  readonly inertia_kgm2: number;
  /** Null: the speed is held at rated while there is drive, and is there at once. */
  readonly motor: MotorSpec | null;
}

/** Disc and body. An axial disc is the same with `arm_m` = 1, masses for inertias, forces for torques, metres for radians. */
export interface DiscSpec {
  readonly diameter_m: number;
  /** Hinge to disc centre. */
  readonly arm_m: number;
  /** Opening at the stop. */
  readonly stop_rad: number;
  /** Angle of the seated disc from hanging free. */
  readonly seatTilt_rad: number;
  /** Disc, lever, weight and the water that moves along. */
  readonly inertia_kgm2: number;
  /** Submerged. */
  readonly weight_N: number;
  /** Contraction of the jet through the gap. */
  readonly contraction_ratio: number;
  /** Gap area = this * pi * diameter * arm * sin(opening). */
  readonly gap_ratio: number;
  /** Loss of the body when open, in velocity heads of the pipe. */
  readonly bodyLoss_ratio: number;
  /** Share of the head loss that acts on the open disc, over that on the seated one. */
  readonly openForce_ratio: number;
}

/** Air cylinder on the lever: closing compresses it, an orifice lets it breathe out, a large check lets air back in. */
export interface CushionSpec {
  /** Air volume with the disc seated. */
  readonly clearance_m3: number;
  readonly piston_m2: number;
  readonly arm_m: number;
  readonly polytropic_ratio: number;
  readonly orifice_m2: number;
  readonly refill_m2: number;
  readonly discharge_ratio: number;
}

/** Oil cylinder that engages near the seat: torque = coefficient * speed^2 against closing below `engage_rad`. */
export interface DashpotSpec {
  readonly coefficient_Nms2: number;
  readonly engage_rad: number;
}

/** Body, flanges and the pipe that moves along, on a spring. */
export interface AnchorSpec {
  readonly mass_kg: number;
  /** Natural frequency without the water. */
  readonly frequency_Hz: number;
  /** Share of critical damping. */
  readonly damping_ratio: number;
}

export interface ValveSpec {
  readonly disc: DiscSpec;
  /** Closing moment of lever and weight, level at opening 0 when `angle_rad` is 0. Null: no lever. */
  readonly lever: { readonly moment_Nm: number; readonly angle_rad: number } | null;
  /** Closing torque at the seat, and how it grows with opening. */
  readonly spring: { readonly preload_Nm: number; readonly rate_Nmprad: number } | null;
  /** Shaft packing: dry friction, and linear damping. */
  readonly packing: { readonly friction_Nm: number; readonly damping_Nms: number };
  readonly cushion: CushionSpec | null;
  readonly dashpot: DashpotSpec | null;
  /** Damping against leaving the seat (squeeze film, seal), fading out at `seatDampingReach_rad`; an assumption. */
  readonly seatDamping_Nms: number;
  readonly seatDampingReach_rad: number;
  /** Steps of the disc within one of the pipes: 4, with a cushion 8. */
  readonly subSteps: number;
  /** Share of the pipe's area through which the shut valve leaks; absent: it is tight. */
  readonly leak_ratio?: number;
  /** Speed after an impact on the seat over that before it; absent: the disc stays. */
  readonly restitution_ratio?: number;
  /** A body that moves with the pipe on its anchor; absent: it stands. */
  readonly anchor?: AnchorSpec;
}

/** Closed tank: trapped air over water. */
export interface TankSpec {
  /** At the start: gauge pressure at the pipe connection, and the air over the water. */
  readonly pressure_Pa: number;
  readonly airVolume_m3: number;
  /** Free surface over the pipe axis when the air takes `airVolume_m3`. */
  readonly level_m: number;
  /** Free surface; the level moves by (change of air volume) / this. */
  readonly surface_m2: number;
  /** Exponent of the gas law: 1.2 alone, or 1.4 (adiabatic) with a `relaxation_s`. */
  readonly polytropic_ratio: number;
  /** Time in which the air goes back to the temperature round it; null: never. */
  readonly relaxation_s: number | null;
  /** Share of a wave's impedance that this end takes up (0 = perfect reflection); sets ring-down only. */
  readonly absorption_ratio: number;
}

/** Cells of a pipe at this time step: Courant number 1, at least 2. */
export function cellsOf(pipe: PipeSpec, dt_s: number): number {
  return Math.max(2, Math.round(pipe.length_m / (pipe.waveSpeed_mps * dt_s)));
}

/** The wave speed a pipe really has on the grid: length / (cells * dt). */
export function gridWaveSpeed_mps(pipe: PipeSpec, dt_s: number): number {
  return pipe.length_m / (cellsOf(pipe, dt_s) * dt_s);
}

/** The time step next to `wanted_s` at which this pipe's wave speed is exact on the grid. */
export function exactStep_s(pipe: PipeSpec, wanted_s: number): number {
  return pipe.length_m / (cellsOf(pipe, wanted_s) * pipe.waveSpeed_mps);
}
