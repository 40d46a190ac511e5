/** Ends of pipes at a vessel: constant head or tank, quadratic loss, partly absorbing. */
import { lossyFlow_m3ps } from './reach.ts';

/**
 * A pipe end at a vessel that takes up a share of every wave: behind the end stands a head `zeta B (Q - Qslow)`,
 * Qslow following Q with the time constant of the column. It does nothing to steady flow, is passive, and lets the
 * ring-down decay exponentially (a modelling choice: friction of the pipe alone lets a short leg ring for seconds).
 * It adds about `zeta` of the column's length to its inertia.
 */
export class VesselEnd {
  private readonly absorption: number;
  private readonly share: number;
  private readonly loss: number;
  private slowFlow_m3ps = 0;
  /** Of the water in the end itself, over the step, in s/m2; and its flow. */
  private inertance = 0;
  private lastFlow_m3ps = 0;
  private readonly columnInertance: number;

  /** `impedance` of the pipe at this end; `column_s` = column length / wave speed; `loss` in s2/m5. */
  constructor(absorption_ratio: number, impedance: number, column_s: number, dt_s: number, loss: number) {
    this.absorption = absorption_ratio * impedance;
    this.share = dt_s / column_s;
    this.loss = loss;
    this.columnInertance = (impedance * column_s) / dt_s;
  }

  /** Puts a header, bend or entrance at this end whose water has this share of the column's inertia and no length. */
  addInertia(ratio: number): void {
    this.inertance = ratio * this.columnInertance;
  }

  settle(flow_m3ps: number): void {
    this.slowFlow_m3ps = flow_m3ps;
    this.lastFlow_m3ps = flow_m3ps;
  }

  /** Flow out of the pipe's downstream end into a vessel at `head_m`; cp, bp are the pipe's. */
  flowInto_m3ps(head_m: number, cp_m: number, bp: number): number {
    return this.follow_m3ps(cp_m - head_m, bp);
  }

  /** Flow from a vessel at `head_m` into the pipe's upstream end; cm, bm are the pipe's. */
  flowFrom_m3ps(head_m: number, cm_m: number, bm: number): number {
    return this.follow_m3ps(head_m - cm_m, bm);
  }

  private follow_m3ps(drive_m: number, impedance: number): number {
    const slow = this.slowFlow_m3ps;
    const flow = lossyFlow_m3ps(
      drive_m + this.absorption * slow + this.inertance * this.lastFlow_m3ps,
      impedance + this.absorption + this.inertance,
      this.loss,
    );
    this.lastFlow_m3ps = flow;
    this.slowFlow_m3ps = slow + (flow - slow) * this.share;
    return flow;
  }
}
