/** A check valve between two pipes: the disc, and the two faces where vapour cavities may open. */
import { AnchoredBody } from './anchored-body.ts';
import { Disc } from './disc.ts';
import type { ValveSpec } from './parts.ts';
import type { Reach } from './reach.ts';

/**
 * Couples one disc with the ends of two reaches. Heads in m over the datum, flow in m3/s positive from pump to tank, opening in
 * rad from the seat. Both reaches must share the time step. Allocates nothing a step.
 */
export class CheckValve {
  readonly disc: Disc;
  readonly stop_rad: number;
  /** Vapour volumes at the upstream and the downstream face. */
  upstreamCavity_m3 = 0;
  downstreamCavity_m3 = 0;
  /** Null: the body stands. */
  readonly body: AnchoredBody | null;
  private readonly upstream: Reach;
  private readonly downstream: Reach;
  private readonly dt_s: number;
  private readonly vapourHead_m: number;
  private hasUpstreamCavity = false;
  private hasDownstreamCavity = false;
  private cpBefore_m = 0;
  private cmBefore_m = 0;

  constructor(
    spec: ValveSpec,
    dt_s: number,
    upstream: Reach,
    downstream: Reach,
    liquid: {
      readonly density_kgpm3: number;
      readonly gravity_mps2: number;
      readonly atmosphere_PaAbs: number;
      readonly vapourHead_m: number;
    },
  ) {
    this.disc = new Disc(spec, dt_s, downstream.area_m2, liquid);
    this.stop_rad = spec.disc.stop_rad;
    const weight_Npm3 = liquid.density_kgpm3 * liquid.gravity_mps2;
    this.body =
      spec.anchor === undefined
        ? null
        : new AnchoredBody(spec.anchor, dt_s, weight_Npm3 * downstream.area_m2, downstream.area_m2);
    this.upstream = upstream;
    this.downstream = downstream;
    this.dt_s = dt_s;
    this.vapourHead_m = liquid.vapourHead_m;
    this.settle();
  }

  /** Takes the pipes as they stand for the state before the first step. */
  settle(): void {
    const { upstream, downstream } = this;
    this.cpBefore_m =
      upstream.head_m[upstream.cells] + upstream.impedance * upstream.flow_m3ps[upstream.cells];
    this.cmBefore_m = downstream.head_m[0] - downstream.impedance * downstream.flow_m3ps[0];
  }

  /** One step, after both pipes have advanced; writes their ends. */
  advance(): void {
    const { bp } = this.upstream;
    const { bm } = this.downstream;
    let { cp_m } = this.upstream;
    let { cm_m } = this.downstream;
    // A moving body carries water along: the disc sees the flow past the body, the pipes that and what is carried.
    let carried_m3ps = 0;
    if (this.body !== null) {
      carried_m3ps = this.body.advance(cp_m - cm_m, bp + bm, this.disc.flow_m3ps);
      cp_m -= bp * carried_m3ps;
      cm_m += bm * carried_m3ps;
    }
    const vapour_m = this.vapourHead_m;
    const disc = this.disc;
    disc.save();
    let upVolume = 0;
    let downVolume = 0;
    let upHead = 0;
    let downHead = 0;
    let mayChangeUp = true;
    let mayChangeDown = true;
    // A face at vapour pressure is a head source without impedance. When one opens or closes the step is done again.
    for (;;) {
      const hasUp = this.hasUpstreamCavity;
      const hasDown = this.hasDownstreamCavity;
      disc.advance(
        (hasUp ? vapour_m : this.cpBefore_m) - (hasDown ? vapour_m : this.cmBefore_m),
        (hasUp ? vapour_m : cp_m) - (hasDown ? vapour_m : cm_m),
        (hasUp ? 0 : bp) + (hasDown ? 0 : bm),
      );
      const flow = disc.flow_m3ps;
      upHead = hasUp ? vapour_m : cp_m - bp * flow;
      downHead = hasDown ? vapour_m : cm_m + bm * flow;
      upVolume = hasUp ? this.upstreamCavity_m3 + this.dt_s * (flow - (cp_m - vapour_m) / bp) : 0;
      downVolume = hasDown ? this.downstreamCavity_m3 + this.dt_s * ((vapour_m - cm_m) / bm - flow) : 0;
      const changesUp = mayChangeUp && (hasUp ? upVolume <= 0 : upHead < vapour_m);
      const changesDown = mayChangeDown && (hasDown ? downVolume <= 0 : downHead < vapour_m);
      if (!changesUp && !changesDown) break;
      if (changesUp) {
        this.hasUpstreamCavity = !hasUp;
        this.upstreamCavity_m3 = 0;
        mayChangeUp = false;
      }
      if (changesDown) {
        this.hasDownstreamCavity = !hasDown;
        this.downstreamCavity_m3 = 0;
        mayChangeDown = false;
      }
      disc.restore();
    }
    this.upstreamCavity_m3 = Math.max(0, upVolume);
    this.downstreamCavity_m3 = Math.max(0, downVolume);
    this.cpBefore_m = cp_m;
    this.cmBefore_m = cm_m;
    const flow = disc.flow_m3ps;
    const upFlow = this.hasUpstreamCavity ? (cp_m - vapour_m) / bp : flow;
    const downFlow = this.hasDownstreamCavity ? (vapour_m - cm_m) / bm : flow;
    this.upstream.setDownstream(upHead, this.body === null ? upFlow : upFlow + carried_m3ps);
    this.downstream.setUpstream(downHead, this.body === null ? downFlow : downFlow + carried_m3ps);
  }

  /** 0 shut, 1 at the stop. */
  get opening_ratio(): number {
    return this.disc.opening_rad / this.stop_rad;
  }
}
