/**
 * The moving disc of a check valve between two pipes. Opening theta >= 0 from the seat, omega > 0 opening, flow
 * positive when it opens the valve.
 *
 * The disc sweeps water: Q = Qr + Ad R cos(theta) omega, and only the rest Qr passes the gap and costs head,
 * Qr|Qr| = G dH. G is a conductance, so it goes smoothly to 0 at the seat. The pipes answer dH = C - B Q. Disc and
 * pipes are solved together, omega by backward Euler, which is stable whatever the disc's inertia; explicit coupling
 * of a light disc is not at these steps.
 */
import { AirCushion } from './air-cushion.ts';
import type { ValveSpec } from './parts.ts';

/** Speed at which dry friction is nearly full, in rad/s: it is torque * tanh(speed / this). */
const frictionSpeed_radps = 0.02;

/** Discharge coefficient of a leak past the seat: a sharp gap, 0.6 to 0.65 (common practice, no source). */
export const leakDischarge_ratio = 0.61;

/** A rebound slower than this, in m/s at the disc's centre, stays on the seat: the squeezed film holds it. */
const slowestRebound_mps = 5e-3;

/** A root's denominator must not be 0 at the seat. */
const tiny = 1e-30;

/**
 * State of one disc; the equation of motion stands at the head of this file. SI, rad; flow positive when it opens the valve.
 * Advanced by the step of the pipes; the spec is taken as checked.
 */
export class Disc {
  /** Opening, from 0 at the seat to the stop. */
  opening_rad = 0;
  /** Flow through the valve at the end of the last step. */
  flow_m3ps = 0;
  /** Contacts of disc and seat within the last step, and the share of the step that was gone at the first of them. */
  contacts = 0;
  contactShare = 0;
  /** Share of the last step at which the flow fell through zero; negative: it did not. */
  reversalShare = -1;
  /** Smallest flow within the last step. */
  smallestFlow_m3ps = 0;

  private readonly spec: ValveSpec;
  private readonly subStep_s: number;
  private readonly cushion: AirCushion | null;
  private readonly cushionResult = { torque_Nm: 0, stiffness_Nmprad: 0 };
  private omega_radps = 0;
  /** Thrown back by the seat and not yet there again: the film on the seat does not hold it. */
  private isRebounding = false;
  private wasRebounding = false;
  private savedOpening_rad = 0;
  private savedOmega_radps = 0;
  private savedFlow_m3ps = 0;
  /** Disc area times arm, in m3: swept volume per radian when seated. */
  private readonly sweep_m3: number;
  /** Torque of a head difference on the seated disc, in N m per m; and how it changes with sin(opening). */
  private readonly headTorque_N: number;
  private readonly headTorqueSlope_N: number;
  /** Jet area over pipe area, per sin(opening). */
  private readonly jet_ratio: number;
  /** 2 g A^2. */
  private readonly conductance: number;
  /** Of the leak beside the gap, and its root. */
  private readonly leak: number;
  private readonly leakRoot: number;
  private readonly rebound_ratio: number;
  private readonly weight_Nm: number;
  private readonly tiltSin: number;
  private readonly tiltCos: number;
  private readonly lever_Nm: number;
  private readonly leverSin: number;
  private readonly leverCos: number;
  private readonly preload_Nm: number;
  private readonly rate_Nmprad: number;

  constructor(
    spec: ValveSpec,
    dt_s: number,
    pipeArea_m2: number,
    liquid: {
      readonly density_kgpm3: number;
      readonly gravity_mps2: number;
      readonly atmosphere_PaAbs: number;
    },
  ) {
    const { disc, lever, spring } = spec;
    const discArea_m2 = (Math.PI / 4) * disc.diameter_m ** 2;
    this.spec = spec;
    this.subStep_s = dt_s / spec.subSteps;
    this.cushion = spec.cushion === null ? null : new AirCushion(spec.cushion, liquid.atmosphere_PaAbs);
    this.sweep_m3 = discArea_m2 * disc.arm_m;
    this.headTorque_N = liquid.density_kgpm3 * liquid.gravity_mps2 * this.sweep_m3;
    this.headTorqueSlope_N = (this.headTorque_N * (disc.openForce_ratio - 1)) / Math.sin(disc.stop_rad);
    this.jet_ratio =
      (disc.contraction_ratio * disc.gap_ratio * Math.PI * disc.diameter_m * disc.arm_m) / pipeArea_m2;
    this.conductance = 2 * liquid.gravity_mps2 * pipeArea_m2 ** 2;
    this.leak = this.conductance * (leakDischarge_ratio * (spec.leak_ratio ?? 0)) ** 2;
    this.leakRoot = Math.sqrt(this.leak);
    this.rebound_ratio = spec.restitution_ratio ?? 0;
    this.weight_Nm = disc.weight_N * disc.arm_m;
    this.tiltSin = Math.sin(disc.seatTilt_rad);
    this.tiltCos = Math.cos(disc.seatTilt_rad);
    this.lever_Nm = lever?.moment_Nm ?? 0;
    this.leverSin = Math.sin(lever?.angle_rad ?? 0);
    this.leverCos = Math.cos(lever?.angle_rad ?? 0);
    this.preload_Nm = spring?.preload_Nm ?? 0;
    this.rate_Nmprad = spring?.rate_Nmprad ?? 0;
  }

  /** Keeps the state before a step, so that the step can be done again with other pipe ends. */
  save(): void {
    this.savedOpening_rad = this.opening_rad;
    this.savedOmega_radps = this.omega_radps;
    this.savedFlow_m3ps = this.flow_m3ps;
    this.wasRebounding = this.isRebounding;
    this.cushion?.save();
  }

  restore(): void {
    this.opening_rad = this.savedOpening_rad;
    this.omega_radps = this.savedOmega_radps;
    this.flow_m3ps = this.savedFlow_m3ps;
    this.isRebounding = this.wasRebounding;
    this.cushion?.restore();
  }

  /**
   * One pipe step. `driveBefore_m` and `drive_m` are C at its beginning and end, with a straight line between;
   * `impedance` is B. In one piece although it is long: it runs thousands of times a simulated second for each leg, and its parts
   * share a dozen numbers that would have to be handed to and fro in an object.
   */
  advance(driveBefore_m: number, drive_m: number, impedance: number): void {
    const { disc, packing, dashpot, seatDamping_Nms, seatDampingReach_rad, subSteps } = this.spec;
    const { cushion, cushionResult } = this;
    const h = this.subStep_s;
    const inertiaRate = disc.inertia_kgm2 / h;
    let theta = this.opening_rad;
    let omega = this.omega_radps;
    let flow = this.flow_m3ps;
    this.contacts = 0;
    this.reversalShare = -1;
    let smallest = Infinity;

    for (let k = 1; k <= subSteps; k++) {
      const drive = driveBefore_m + ((drive_m - driveBefore_m) * k) / subSteps;
      // Geometry and torques at the opening the disc is on its way to.
      let predicted = theta + h * omega;
      if (predicted < 0) predicted = 0;
      else if (predicted > disc.stop_rad) predicted = disc.stop_rad;
      const sin = sine(predicted);
      const cos = cosine(predicted);
      const jet = this.jet_ratio * sin;
      const square = jet * jet;
      const spread = jet < 1 ? 1 - jet : 0;
      const gapConductance =
        (this.conductance * square) / (disc.bodyLoss_ratio * square + spread * spread + 1e-12);
      const conductance = this.leak === 0 ? gapConductance : (Math.sqrt(gapConductance) + this.leakRoot) ** 2;
      const headTorque = this.headTorque_N + this.headTorqueSlope_N * sin;
      const sweep = this.sweep_m3 * cos;

      let torque =
        -this.weight_Nm * (sin * this.tiltCos + cos * this.tiltSin) -
        this.lever_Nm * (cos * this.leverCos - sin * this.leverSin) -
        this.preload_Nm -
        this.rate_Nmprad * predicted;
      if (packing.friction_Nm > 0) torque -= packing.friction_Nm * Math.tanh(omega / frictionSpeed_radps);
      let damping = packing.damping_Nms + this.rate_Nmprad * h;
      if (cushion !== null) {
        cushion.torque_Nm(theta, predicted, cushionResult);
        torque += cushionResult.torque_Nm;
        damping += cushionResult.stiffness_Nmprad * h;
      }
      if (dashpot !== null && omega < 0 && theta < dashpot.engage_rad) {
        damping -= dashpot.coefficient_Nms2 * omega;
      }
      if (omega >= 0 && theta < seatDampingReach_rad && !this.isRebounding) {
        damping += seatDamping_Nms * (1 - theta / seatDampingReach_rad);
      }

      const flowBefore = flow;
      let thetaAfter = 0;
      if (theta === 0 && omega === 0 && headTorque * drive + torque <= 0) {
        flow = this.leak === 0 ? 0 : gapFlow(drive, 1, impedance, this.leak);
      } else {
        const stiff = inertiaRate + damping;
        const push = inertiaRate * omega + torque;
        // Disc flow = q0 + q1 dH.
        const q0 = (sweep * push) / stiff;
        const q1 = (sweep * headTorque) / stiff;
        const c0 = drive - impedance * q0;
        const s1 = 1 + impedance * q1;
        let gap = gapFlow(c0, s1, impedance, conductance);
        const difference = (c0 - impedance * gap) / s1;
        flow = gap + q0 + q1 * difference;
        const omegaAfter = (push + headTorque * difference) / stiff;
        thetaAfter = theta + (h * (omega + omegaAfter)) / 2;
        omega = omegaAfter;
        if (thetaAfter <= 0) {
          if (theta > 0) {
            if (this.contacts === 0) {
              const share = theta / (theta - thetaAfter);
              this.contactShare = (k - 1 + share) / subSteps;
            }
            this.contacts++;
          }
          if (flow < 0 && flowBefore >= 0 && this.reversalShare < 0) {
            this.reversalShare = (k - 1 + flowBefore / (flowBefore - flow)) / subSteps;
          }
          thetaAfter = 0;
          omega = this.thrownBack_radps(omega);
          flow = gapFlow(drive, 1, impedance, conductance);
        } else if (thetaAfter >= disc.stop_rad) {
          thetaAfter = disc.stop_rad;
          if (omega > 0) omega = 0;
          gap = gapFlow(drive - impedance * sweep * omega, 1, impedance, conductance);
          flow = gap + sweep * omega;
        }
      }
      if (flow < 0 && flowBefore >= 0 && this.reversalShare < 0) {
        this.reversalShare = (k - 1 + flowBefore / (flowBefore - flow)) / subSteps;
      }
      if (flow < smallest) smallest = flow;
      cushion?.advance(theta, thetaAfter, h);
      theta = thetaAfter;
    }
    this.opening_rad = theta;
    this.omega_radps = omega;
    this.flow_m3ps = flow;
    this.smallestFlow_m3ps = smallest;
  }

  /** Speed after the seat was met at `omega_radps` (negative). */
  private thrownBack_radps(omega_radps: number): number {
    const after_radps = -this.rebound_ratio * omega_radps;
    this.isRebounding = after_radps * this.spec.disc.arm_m > slowestRebound_mps;
    return this.isRebounding ? after_radps : 0;
  }
}

/** Flow through the gap, Qr, from Qr|Qr| = G dH and s1 dH = c0 - B Qr. */
function gapFlow(c0: number, s1: number, impedance: number, conductance: number): number {
  const size = c0 < 0 ? -c0 : c0;
  const x = (conductance * size) / s1;
  const linear = (conductance * impedance) / s1;
  const flow = (2 * x) / (linear + Math.sqrt(linear * linear + 4 * x) + tiny);
  return c0 < 0 ? -flow : flow;
}

/** Sine by its power series: within 1e-10 for 0 to 1.4 rad, the range of a disc, and cheaper than Math.sin. */
function sine(x: number): number {
  const s = x * x;
  return (
    x *
    (1 -
      (s / 6) *
        (1 - (s / 20) * (1 - (s / 42) * (1 - (s / 72) * (1 - (s / 110) * (1 - (s / 156) * (1 - s / 210)))))))
  );
}

/** Cosine likewise. */
function cosine(x: number): number {
  const s = x * x;
  return (
    1 -
    (s / 2) *
      (1 - (s / 12) * (1 - (s / 30) * (1 - (s / 56) * (1 - (s / 90) * (1 - (s / 132) * (1 - s / 182))))))
  );
}
