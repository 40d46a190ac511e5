/**
 * One pipe by the method of characteristics at Courant number 1, frictionless exact (Wylie & Streeter, Fluid
 * Transients in Systems, 1993, from memory): head H in m over the datum, flow Q in m3/s, nodes 0 (upstream) to n.
 *
 *   along C+ :  H = cp - bp Q      cp = H[i-1] + B Q[i-1]      bp = B + R |Q[i-1]|
 *   along C- :  H = cm + bm Q      cm = H[i+1] - B Q[i+1]      bm = B + R |Q[i+1]|
 *
 * with B = a/(gA), R = f dx/(2 g D A^2), values on the right from the last step. Friction in this form keeps a
 * steady state exact and is stable whatever the step.
 */
import { cellsOf, gridWaveSpeed_mps, type PipeSpec } from './parts.ts';
import { WallCreep } from './wall-creep.ts';

/**
 * Flow Q that solves drive - impedance Q = loss Q|Q| (m, s/m2, s2/m5). No cancellation; holds for loss 0, and for
 * impedance 0 with a loss. Every boundary with a quadratic loss uses it.
 */
export function lossyFlow_m3ps(drive_m: number, impedance: number, loss: number): number {
  const size = drive_m < 0 ? -drive_m : drive_m;
  const flow = (2 * size) / (impedance + Math.sqrt(impedance * impedance + 4 * loss * size) + 1e-300);
  return drive_m < 0 ? -flow : flow;
}

/** Loss factor in s2/m5 of `ratio` velocity heads in a pipe of this area. */
export function lossFactor(ratio: number, area_m2: number, gravity_mps2: number): number {
  return ratio / (2 * gravity_mps2 * area_m2 * area_m2);
}

/**
 * State of one pipe; the scheme stands at the head of this file. Heads in m over the datum, flow in m3/s from node 0 to n,
 * both arrays `cells + 1` long. `advance`, then one `set` an end, is a step; the wave speed is rounded to the grid
 * (`waveSpeed_mps`). Allocates nothing a step.
 */
export class Reach {
  readonly cells: number;
  readonly length_m: number;
  readonly area_m2: number;
  readonly waveSpeed_mps: number;
  /** B, in s/m2. */
  readonly impedance: number;
  /** Node heads, and flows leaving the nodes downstream; owned here, ends written by `setUpstream` / `setDownstream`. */
  readonly head_m: Float64Array;
  readonly flow_m3ps: Float64Array;
  /** Characteristics arriving at the downstream end (cp, bp) and at the upstream end (cm, bm), after `advance`. */
  cp_m = 0;
  bp = 0;
  cm_m = 0;
  bm = 0;
  private readonly resistance: number;
  private readonly dt_s: number;
  /** With cavities: flow arriving at the nodes, and the vapour volume there. */
  private readonly arriving_m3ps: Float64Array | null;
  private readonly cavity_m3: Float64Array | null;
  /** At each node: gauge, over the datum. */
  private readonly vapourHead_m: Float64Array;
  private readonly creep: WallCreep | null;

  /** `vapourHead_m` (gauge, over the datum) matters only where the pipe has cavities. */
  constructor(pipe: PipeSpec, dt_s: number, gravity_mps2: number, vapourHead_m: number) {
    this.cells = cellsOf(pipe, dt_s);
    this.length_m = pipe.length_m;
    this.area_m2 = (Math.PI / 4) * pipe.bore_m ** 2;
    this.waveSpeed_mps = gridWaveSpeed_mps(pipe, dt_s);
    this.impedance = this.waveSpeed_mps / (gravity_mps2 * this.area_m2);
    const dx_m = pipe.length_m / this.cells;
    this.resistance = (pipe.friction_ratio * dx_m) / (2 * gravity_mps2 * pipe.bore_m * this.area_m2 ** 2);
    this.dt_s = dt_s;
    this.head_m = new Float64Array(this.cells + 1);
    this.flow_m3ps = new Float64Array(this.cells + 1);
    this.arriving_m3ps = pipe.hasCavities ? new Float64Array(this.cells + 1) : null;
    this.cavity_m3 = pipe.hasCavities ? new Float64Array(this.cells + 1) : null;
    this.vapourHead_m = new Float64Array(this.cells + 1).fill(vapourHead_m);
    this.creep =
      pipe.creep === undefined ? null : new WallCreep(pipe.creep, this.waveSpeed_mps, dt_s, this.cells + 1);
  }

  /** Lifts the pipe: elevation over the datum at a distance from the upstream end. Vapour opens sooner where it lies high. */
  lift(elevation_m: (distance_m: number) => number): void {
    const dx_m = this.length_m / this.cells;
    for (let i = 0; i <= this.cells; i++) this.vapourHead_m[i] += elevation_m(i * dx_m);
  }

  /** Puts the whole pipe at one head and one flow. */
  fill(head_m: number, flow_m3ps: number): void {
    this.head_m.fill(head_m);
    this.flow_m3ps.fill(flow_m3ps);
    this.arriving_m3ps?.fill(flow_m3ps);
    this.cavity_m3?.fill(0);
    this.creep?.settle(head_m);
  }

  /** Moves the inner nodes on by one step and leaves the characteristics of both ends. */
  advance(): void {
    if (this.cavity_m3 !== null) {
      this.advanceWithCavities(this.arriving_m3ps!, this.cavity_m3);
      return;
    }
    if (this.creep !== null) {
      this.advanceWithCreep(this.creep);
      return;
    }
    const head = this.head_m;
    const flow = this.flow_m3ps;
    const cells = this.cells;
    const b = this.impedance;
    const r = this.resistance;
    // In place: the old left neighbour's characteristic is carried along, the right one is still old.
    let cp = head[0] + b * flow[0];
    let bp = b + r * Math.abs(flow[0]);
    let q1 = flow[1];
    let cm = head[1] - b * q1;
    let bm = b + r * Math.abs(q1);
    this.cm_m = cm;
    this.bm = bm;
    for (let i = 1; i < cells; i++) {
      const cpNext = cm + 2 * b * q1;
      const bpNext = bm;
      q1 = flow[i + 1];
      cm = head[i + 1] - b * q1;
      bm = b + r * Math.abs(q1);
      const q = (cp - cm) / (bp + bm);
      flow[i] = q;
      head[i] = cp - bp * q;
      cp = cpNext;
      bp = bpNext;
    }
    this.cp_m = cp;
    this.bp = bp;
  }

  /** As `advance`, in a wall that creeps: every characteristic ends at a head of (free head - pull) / (1 + stiffness). */
  private advanceWithCreep(creep: WallCreep): void {
    const head = this.head_m;
    const flow = this.flow_m3ps;
    const cells = this.cells;
    const b = this.impedance;
    const r = this.resistance;
    creep.begin(head);
    const { pull_m } = creep;
    const soft = 1 / (1 + creep.stiffness);
    let cp = head[0] + b * flow[0];
    let bp = b + r * Math.abs(flow[0]);
    let q1 = flow[1];
    let cm = head[1] - b * q1;
    let bm = b + r * Math.abs(q1);
    this.cm_m = (cm - pull_m[0]) * soft;
    this.bm = bm * soft;
    for (let i = 1; i < cells; i++) {
      const cpNext = cm + 2 * b * q1;
      const bpNext = bm;
      q1 = flow[i + 1];
      cm = head[i + 1] - b * q1;
      bm = b + r * Math.abs(q1);
      const q = (cp - cm) / (bp + bm);
      flow[i] = q;
      head[i] = (cp - bp * q - pull_m[i]) * soft;
      cp = cpNext;
      bp = bpNext;
    }
    this.cp_m = (cp - pull_m[cells]) * soft;
    this.bp = bp * soft;
  }

  /**
   * As `advance`, with a vapour cavity at any inner node whose head would fall below vapour pressure (discrete
   * vapour cavity model; Bergant, Simpson & Tijsseling, J. Fluids Struct. 22 (2006) 135). Volume by the trapezium.
   */
  private advanceWithCavities(arriving: Float64Array, cavity: Float64Array): void {
    const head = this.head_m;
    const flow = this.flow_m3ps;
    const b = this.impedance;
    const r = this.resistance;
    const vapours_m = this.vapourHead_m;
    const half_s = this.dt_s / 2;
    this.cm_m = head[1] - b * arriving[1];
    this.bm = b + r * Math.abs(arriving[1]);
    let cp = head[0] + b * flow[0];
    let bp = b + r * Math.abs(flow[0]);
    for (let i = 1; i < this.cells; i++) {
      const cpNext = head[i] + b * flow[i];
      const bpNext = b + r * Math.abs(flow[i]);
      const cm = head[i + 1] - b * arriving[i + 1];
      const bm = b + r * Math.abs(arriving[i + 1]);
      const q = (cp - cm) / (bp + bm);
      const h = cp - bp * q;
      const vapour_m = vapours_m[i];
      let volume = 0;
      if (cavity[i] > 0 || h < vapour_m) {
        const qUp = (cp - vapour_m) / bp;
        const qDown = (vapour_m - cm) / bm;
        volume = cavity[i] + half_s * (qDown - qUp + flow[i] - arriving[i]);
        if (volume > 0) {
          head[i] = vapour_m;
          arriving[i] = qUp;
          flow[i] = qDown;
        }
      }
      if (volume > 0) {
        cavity[i] = volume;
      } else {
        cavity[i] = 0;
        head[i] = Math.max(h, vapour_m);
        arriving[i] = q;
        flow[i] = q;
      }
      cp = cpNext;
      bp = bpNext;
    }
    this.cp_m = cp;
    this.bp = bp;
  }

  setUpstream(head_m: number, flow_m3ps: number): void {
    this.head_m[0] = head_m;
    this.flow_m3ps[0] = flow_m3ps;
    if (this.arriving_m3ps !== null) this.arriving_m3ps[0] = flow_m3ps;
  }

  setDownstream(head_m: number, flow_m3ps: number): void {
    this.head_m[this.cells] = head_m;
    this.flow_m3ps[this.cells] = flow_m3ps;
    if (this.arriving_m3ps !== null) this.arriving_m3ps[this.cells] = flow_m3ps;
  }

  /** Head at a distance from the upstream end, between nodes along a straight line. */
  headAt_m(distance_m: number): number {
    return between(this.head_m, (distance_m / this.length_m) * this.cells);
  }

  /** Flow at a distance from the upstream end, between nodes along a straight line. */
  flowAt_m3ps(distance_m: number): number {
    return between(this.flow_m3ps, (distance_m / this.length_m) * this.cells);
  }

  /** Flow of the column as a whole: its momentum over its mass, times the area (trapezium over the nodes). */
  meanFlow_m3ps(): number {
    const flow = this.flow_m3ps;
    let sum = (flow[0] + flow[this.cells]) / 2;
    for (let i = 1; i < this.cells; i++) sum += flow[i];
    return sum / this.cells;
  }

  /** Vapour volume at inner nodes. */
  cavities_m3(): number {
    let sum = 0;
    if (this.cavity_m3 !== null) for (const volume of this.cavity_m3) sum += volume;
    return sum;
  }
}

function between(nodes: Float64Array, position: number): number {
  const i = Math.min(Math.floor(position), nodes.length - 2);
  return nodes[i] + (position - i) * (nodes[i + 1] - nodes[i]);
}
