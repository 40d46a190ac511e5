/** One pipe with ends written by hand, for checks of the characteristics against exact solutions. */
import { Reach } from '../../daemon/hydraulics/reach.ts';

export interface PipeBench {
  readonly reach: Reach;
  readonly dt_s: number;
}

/** A pipe of `cells` cells whose wave speed is exact. */
export function pipeBench(pipe: {
  readonly length_m: number;
  readonly bore_m: number;
  readonly waveSpeed_mps: number;
  readonly cells: number;
  readonly gravity_mps2: number;
  readonly friction_ratio?: number;
  readonly hasCavities?: boolean;
}): PipeBench {
  const { length_m, bore_m, waveSpeed_mps, cells, gravity_mps2 } = pipe;
  const dt_s = length_m / (waveSpeed_mps * cells);
  const reach = new Reach(
    {
      length_m,
      bore_m,
      waveSpeed_mps,
      friction_ratio: pipe.friction_ratio ?? 0,
      hasCavities: pipe.hasCavities ?? false,
    },
    dt_s,
    gravity_mps2,
    -10.1,
  );
  return { reach, dt_s };
}

/** Upstream end at a constant head. */
export function holdUpstream(reach: Reach, head_m: number): void {
  reach.setUpstream(head_m, (head_m - reach.cm_m) / reach.bm);
}

/** Downstream end at a constant head. */
export function holdDownstream(reach: Reach, head_m: number): void {
  reach.setDownstream(head_m, (reach.cp_m - head_m) / reach.bp);
}

export function shutDownstream(reach: Reach): void {
  reach.setDownstream(reach.cp_m, 0);
}

export function shutUpstream(reach: Reach): void {
  reach.setUpstream(reach.cm_m, 0);
}
