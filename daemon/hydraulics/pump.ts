/** A pump with the inertia of its set, between two pipes. */
import type { MotorSpec, PumpSpec } from './parts.ts';
import { SuterCurve, type SuterPoint } from './suter.ts';

/** Motor torque over the pump's rated torque at a speed over rated; Kloss's formula, see `MotorSpec`. */
export function motorTorque_ratio(motor: MotorSpec, speed_ratio: number): number {
  const slip = Math.max(1e-4, 1 - speed_ratio / motor.noLoadSpeed_ratio);
  const relative = slip / motor.breakdownSlip_ratio;
  return (2 * motor.breakdownTorque_ratio) / (relative + 1 / relative);
}

/**
 * Speed of the set by torque over inertia, head by the Suter curves, both each step of `dt_s`. Heads in m over the datum, flow in
 * m3/s from suction to discharge, speed over rated. The spec is taken as checked; allocates nothing a step.
 */
export class Pump {
  /** Result of `advance`: flow from suction to discharge, and the heads of the two pipe ends. */
  flow_m3ps = 0;
  suctionHead_m = 0;
  dischargeHead_m = 0;
  /** A shut discharge valve: no flow, the wheel turns in still water. */
  isIsolated = true;
  private readonly spec: PumpSpec;
  private readonly dt_s: number;
  /** Rated torque over (inertia * rated speed), in 1/s. */
  private readonly rate_perS: number;
  private readonly curve = new SuterCurve();
  private readonly point: SuterPoint = { head_ratio: 0, torque_ratio: 0, slope: 0 };
  private speed = 0;
  private hasPower = false;
  /** Last acceleration, for the two-step formula; null right after a switch, when it would be wrong. */
  private lastRate_perS: number | null = null;

  constructor(spec: PumpSpec, dt_s: number, density_kgpm3: number, gravity_mps2: number) {
    this.spec = spec;
    this.dt_s = dt_s;
    const torque_Nm =
      (density_kgpm3 * gravity_mps2 * spec.ratedFlow_m3ps * spec.ratedHead_m) /
      (spec.efficiency_ratio * spec.ratedSpeed_radps);
    this.rate_perS = torque_Nm / (spec.inertia_kgm2 * spec.ratedSpeed_radps);
  }

  get speed_ratio(): number {
    return this.speed;
  }

  get hasDrive(): boolean {
    return this.hasPower;
  }

  /** Switches the motor. A pump without a motor curve is at rated speed as soon as it has drive. */
  setDrive(hasDrive: boolean): void {
    this.hasPower = hasDrive;
    this.lastRate_perS = null;
    if (hasDrive && this.spec.motor === null) this.speed = 1;
  }

  /** One step between the suction pipe's (cp, bp) and the discharge pipe's (cm, bm). */
  advance(cp_m: number, bp: number, cm_m: number, bm: number): void {
    const { ratedFlow_m3ps, ratedHead_m } = this.spec;
    this.turn();
    if (this.isIsolated) {
      this.flow_m3ps = 0;
      this.curve.at(this.speed, 0, this.point);
      this.suctionHead_m = cp_m;
      this.dischargeHead_m = cm_m;
      return;
    }
    const difference_m = cp_m - cm_m;
    const impedance_m = (bp + bm) * ratedFlow_m3ps;
    let v = this.flow_m3ps / ratedFlow_m3ps;
    for (let round = 0; round < 12; round++) {
      this.curve.at(this.speed, v, this.point);
      const miss_m = difference_m + ratedHead_m * this.point.head_ratio - impedance_m * v;
      const change = miss_m / (ratedHead_m * this.point.slope - impedance_m);
      v -= change;
      if (change < 1e-9 && change > -1e-9) break;
    }
    this.flow_m3ps = v * ratedFlow_m3ps;
    this.suctionHead_m = cp_m - bp * this.flow_m3ps;
    this.dischargeHead_m = cm_m + bm * this.flow_m3ps;
  }

  /** Speed by the two-step Adams-Bashforth formula: time constants are >= 0.1 s, the step is under a millisecond. */
  private turn(): void {
    const { motor, mechanicalLoss_ratio } = this.spec;
    if (this.hasPower && motor === null) return;
    if (this.speed === 0 && !this.hasPower) return;
    const drive = this.hasPower && motor !== null ? motorTorque_ratio(motor, this.speed) : 0;
    const rate = this.rate_perS * (drive - this.point.torque_ratio - mechanicalLoss_ratio);
    const step = this.lastRate_perS === null ? rate : 1.5 * rate - 0.5 * this.lastRate_perS;
    this.lastRate_perS = rate;
    this.speed = Math.max(0, this.speed + this.dt_s * step);
  }
}
