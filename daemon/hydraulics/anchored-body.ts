/**
 * A valve body that moves along the pipe on its anchor, a mass on a damped spring:
 *
 *   m du/dt = F - c u - k x,   F = density g A (Hu - Hd)   (what the difference of heads pushes on disc and body)
 *
 * x, u > 0 towards the tank. A moving body sweeps A u of water with it, which both pipes see, so the heads answer with
 * dH = C - B (Q + A u): solved together by backward Euler, which is stable for any mass.
 */
import type { AnchorSpec } from './parts.ts';

export class AnchoredBody {
  /** Distance from where the body rests without load, and its speed; SI. */
  position_m = 0;
  speed_mps = 0;
  private readonly spec: AnchorSpec;
  private readonly dt_s: number;
  /** Force of a metre of head, in N/m. */
  private readonly push_Npm: number;
  private readonly area_m2: number;
  private readonly stiffness_Npm: number;
  private readonly damping_Nspm: number;

  constructor(spec: AnchorSpec, dt_s: number, push_Npm: number, area_m2: number) {
    const circular = 2 * Math.PI * spec.frequency_Hz;
    this.spec = spec;
    this.dt_s = dt_s;
    this.push_Npm = push_Npm;
    this.area_m2 = area_m2;
    this.stiffness_Npm = spec.mass_kg * circular ** 2;
    this.damping_Nspm = 2 * spec.damping_ratio * spec.mass_kg * circular;
  }

  /** One step; returns the flow it carries along, A u. `drive_m` is C, `flow_m3ps` the flow past the body of the last step. */
  advance(drive_m: number, impedance: number, flow_m3ps: number): number {
    const { dt_s, push_Npm, area_m2, stiffness_Npm, damping_Nspm } = this;
    const { mass_kg } = this.spec;
    const force_N = push_Npm * (drive_m - impedance * flow_m3ps) - stiffness_Npm * this.position_m;
    const resistance = damping_Nspm + dt_s * stiffness_Npm + push_Npm * impedance * area_m2;
    this.speed_mps = (mass_kg * this.speed_mps + dt_s * force_N) / (mass_kg + dt_s * resistance);
    this.position_m += dt_s * this.speed_mps;
    return area_m2 * this.speed_mps;
  }
}
