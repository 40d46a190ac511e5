/**
 * The physics of the effects against formulas from outside the project. Each source is from memory unless it says "seen";
 * planting a defect in the model named beside each makes its test fail (tried when it was written).
 */
import { describe, expect, it } from 'vitest';
import { AnchoredBody } from '../../daemon/hydraulics/anchored-body.ts';
import { Disc } from '../../daemon/hydraulics/disc.ts';
import { GasPocket } from '../../daemon/hydraulics/gas-pocket.ts';
import type { PipeSpec } from '../../daemon/hydraulics/parts.ts';
import { PipeRun, type RunDetails } from '../../daemon/hydraulics/pipe-run.ts';
import { Reach } from '../../daemon/hydraulics/reach.ts';
import { VesselEnd } from '../../daemon/hydraulics/reservoir.ts';
import { bubbleFrequency_Hz } from '../../daemon/hydraulics/tapping-line.ts';
import { polyethylene } from '../../daemon/virtual-rig/effects/plant-effects.ts';
import { stagesBefore } from '../../daemon/virtual-rig/instrument-stages.ts';
import { springValve } from '../support/base-rig.ts';

const gravity_mps2 = 9.81;
const dt_s = 1e-4;
const pipe: PipeSpec = {
  length_m: 24,
  bore_m: 0.1,
  waveSpeed_mps: 1200,
  friction_ratio: 0,
  hasCavities: false,
};
const medium = {
  dt_s,
  gravity_mps2,
  vapourHead_m: -10.1,
  weight_Npm3: 9810,
  atmosphere_PaAbs: 101325,
};

/** Joukowsky head of 0.1 m/s in that pipe: a V / g. */
const step_m = (1200 * 0.1) / gravity_mps2;

/** A run at rest at 50 m; its valve end is pushed by a step of head, its tank end swallows every wave. */
function pushed(details: RunDetails, until_s: number, at_m: number): number {
  const run = new PipeRun(pipe, details, medium);
  run.fill(50, 0);
  for (let t = 0; t < until_s; t += dt_s) {
    run.advance();
    const { first, last } = run;
    // A source with the impedance of the pipe: what comes back is not thrown out again.
    const flow = (50 + 2 * step_m - first.cm_m) / (first.bm + first.impedance);
    first.setUpstream(first.cm_m + first.bm * flow, flow);
    const out = (last.cp_m - 50) / (last.bp + last.impedance);
    last.setDownstream(last.cp_m - last.bp * out, out);
  }
  return run.headAt_m(at_m) - 50;
}

describe('pipes in series and branches', () => {
  // Wylie & Streeter, Fluid Transients in Systems (1993), and any book on water hammer (from memory).
  it('a wider pipe passes 2 A1 / (A1 + A2) of a wave on', () => {
    const wide = { ...pipe, length_m: 12, bore_m: 0.15 };
    const sections = [{ ...pipe, length_m: 12 }, wide];
    const passed = 2 / (1 + 1.5 ** 2);
    expect(pushed({ sections }, 0.015, 18) / step_m).toBeCloseTo(passed, 6);
    // What is thrown back meets the step: 1 + r is the same head on both sides of the junction.
    expect(pushed({ sections }, 0.016, 10) / step_m).toBeCloseTo(passed, 6);
  });

  it('a tee of three equal pipes passes two thirds on', () => {
    const branches = [{ at_m: 12, pipe }];
    expect(pushed({ branches }, 0.015, 18) / step_m).toBeCloseTo(2 / 3, 6);
  });

  it('a dead branch gives everything back in the end', () => {
    const branches = [{ at_m: 12, pipe: { ...pipe, length_m: 6 } }];
    expect(pushed({ branches }, 0.2, 18) / step_m).toBeCloseTo(1, 3);
  });
});

describe('a high point of a main', () => {
  it('opens a cavity where the level main has none, at its own elevation only', () => {
    // Column separation begins at high points: Bergant, Simpson & Tijsseling, J. Fluids Struct. 22 (2006) 135 (seen: abstract).
    const main = { ...pipe, hasCavities: true };
    const cavities = (elevation_m: number) => {
      const profile = [
        { at_m: 0, elevation_m: 0 },
        { at_m: 12, elevation_m },
        { at_m: 24, elevation_m: 0 },
      ];
      const run = new PipeRun(main, { profile }, medium);
      run.fill(2, 0);
      let most_m3 = 0;
      for (let k = 0; k < 400; k++) {
        run.advance();
        const { first, last } = run;
        // The valve end falls by 4 m; vapour on the datum stands 10.1 m under the atmosphere.
        first.setUpstream(-2, (-2 - first.cm_m) / first.bm);
        last.setDownstream(2, (last.cp_m - 2) / last.bp);
        most_m3 = Math.max(most_m3, run.cavities_m3());
      }
      return most_m3;
    };
    expect(cavities(0)).toBe(0);
    expect(cavities(7)).toBe(0);
    expect(cavities(9)).toBeGreaterThan(0);
  });
});

describe('gas', () => {
  it('with a column before it swings at sqrt(n p A / (density L V)) / 2 pi', () => {
    // Lumped inertance of a rigid column from a vessel at 50 m: Q' = g A / L (50 - H).
    const gas = new GasPocket({ volume_m3: 1e-3, at_PaAbs: 5e5, polytropic_ratio: 1.4 }, 1e-5, medium);
    const area_m2 = Math.PI * 0.05 ** 2;
    const length_m = 5;
    const rest_m = (5e5 - 101325) / 9810;
    gas.settle(rest_m);
    const inertance = length_m / (gravity_mps2 * area_m2 * 1e-5);
    let head = rest_m;
    let flow = 1e-5;
    const zeros: number[] = [];
    for (let k = 1; k < 200_000; k++) {
      head = gas.solve_m(flow + rest_m / inertance, 1 / inertance, head);
      const next = flow + (rest_m - head) / inertance;
      if (flow < 0 && next >= 0) zeros.push(k - next / (next - flow));
      flow = next;
    }
    const period_s = ((zeros.at(-1)! - zeros[0]) / (zeros.length - 1)) * 1e-5;
    const expected_Hz = Math.sqrt((1.4 * 5e5 * area_m2) / (1000 * length_m * 1e-3)) / (2 * Math.PI);
    expect(1 / period_s / expected_Hz).toBeCloseTo(1, 3);
    // The same formula as that of the impulse line.
    const line = {
      length_m,
      bore_m: 0.1,
      bubble_m3: 1e-3,
      pressure_PaAbs: 5e5,
      density_kgpm3: 1000,
      polytropic_ratio: 1.4,
    };
    expect(bubbleFrequency_Hz(line)).toBeCloseTo(expected_Hz, 9);
  });
});

describe('the ringing line', () => {
  it('overshoots a step by exp(-pi zeta / sqrt(1 - zeta^2)) at half its damped period', () => {
    // Step response of a second-order system, any book on measurement.
    const zeta = 0.05;
    const fine_s = 1e-5;
    const [stage] = stagesBefore({ line: { frequency_Hz: 150, damping_ratio: zeta } }, 0, fine_s);
    const shown = Array.from({ length: 2000 }, () => stage!.next(1));
    const top = Math.max(...shown);
    const root = Math.sqrt(1 - zeta ** 2);
    expect(top - 1).toBeCloseTo(Math.exp((-Math.PI * zeta) / root), 3);
    expect((shown.indexOf(top) + 1) * fine_s).toBeCloseTo(1 / (2 * 150 * root), 4);
  });
});

describe('a body on its anchor', () => {
  it('swings at its natural frequency and dies by its damping', () => {
    const spec = { mass_kg: 60, frequency_Hz: 30, damping_ratio: 0.05 };
    const fine_s = 1e-6;
    const body = new AnchoredBody(spec, fine_s, 9810 * 0.00785, 0.00785);
    // No water: no head, no impedance. Let go from 1 mm.
    body.position_m = 1e-3;
    const tops: [number, number][] = [];
    let before = 0;
    for (let k = 1; k < 120_000; k++) {
      body.advance(0, 0, 0);
      if (before > 0 && body.speed_mps <= 0) tops.push([k * fine_s, body.position_m]);
      before = body.speed_mps;
    }
    const root = Math.sqrt(1 - 0.05 ** 2);
    expect(tops[1][0] - tops[0][0]).toBeCloseTo(1 / (30 * root), 4);
    expect(Math.log(tops[0][1] / tops[1][1])).toBeCloseTo((2 * Math.PI * 0.05) / root, 2);
  });

  it('gives under a standing head by force over stiffness', () => {
    const body = new AnchoredBody(
      { mass_kg: 60, frequency_Hz: 30, damping_ratio: 0.5 },
      1e-4,
      9810 * 0.00785,
      0.00785,
    );
    for (let k = 0; k < 5000; k++) body.advance(-40, 0, 0);
    const stiffness = 60 * (2 * Math.PI * 30) ** 2;
    expect(body.position_m).toBeCloseTo((-40 * 9810 * 0.00785) / stiffness, 8);
  });
});

describe('a leaking seat', () => {
  it('passes 0.61 A sqrt(2 g H) of an orifice', () => {
    const area_m2 = Math.PI * 0.05 ** 2;
    const liquid = { density_kgpm3: 1000, gravity_mps2, atmosphere_PaAbs: 101325 };
    const disc = new Disc({ ...springValve, leak_ratio: 0.01 }, dt_s, area_m2, liquid);
    disc.advance(-50, -50, 0);
    expect(disc.flow_m3ps).toBeCloseTo(-0.61 * 0.01 * area_m2 * Math.sqrt(2 * gravity_mps2 * 50), 9);
  });
});

describe('the inertia of an end', () => {
  it('slows the ring as (1 + ratio) of the column does, by omega L / a = cot(omega m / Z)', () => {
    // Shut pipe with a lumped mass of water m = ratio x column at its open end: tan(x) = 1 / (ratio x), x = omega L / a.
    const reach = new Reach(pipe, dt_s, gravity_mps2, -10.1);
    const end = new VesselEnd(0, reach.impedance, 24 / 1200, dt_s, 0);
    end.addInertia(0.1);
    reach.fill(50, 1e-3);
    end.settle(1e-3);
    const heads: number[] = [];
    for (let k = 0; k < 40_000; k++) {
      reach.advance();
      reach.setUpstream(reach.cm_m, 0);
      const out = end.flowInto_m3ps(50, reach.cp_m, reach.bp);
      reach.setDownstream(reach.cp_m - reach.bp * out, out);
      heads.push(reach.head_m[0] - 50);
    }
    let x = 1.4;
    for (let k = 0; k < 50; k++) x = Math.atan(1 / (0.1 * x));
    // Fundamental by the largest of a narrow scan of Fourier sums.
    const power = (circular: number) => {
      let re = 0;
      let im = 0;
      for (const [k, head] of heads.entries()) {
        re += head * Math.cos(circular * k * dt_s);
        im += head * Math.sin(circular * k * dt_s);
      }
      return Math.hypot(re, im);
    };
    const expected = (x * 1200) / 24;
    const scan = Array.from({ length: 41 }, (_, k) => expected * (0.96 + 0.002 * k));
    const best = scan.reduce((a, b) => (power(b) > power(a) ? b : a));
    expect(best / expected).toBeGreaterThan(0.995);
    expect(best / expected).toBeLessThan(1.005);
  });
});

describe('a plastic wall', () => {
  const elements = polyethylene.elements.map(({ compliance_perPa, retardation_s }) => ({
    compliance_ratio: compliance_perPa / polyethylene.compliance_perPa,
    retardation_s,
  }));

  /** Ring of 277 m of polyethylene after a sudden stop: heads over the reservoir at the shut end, each 10 ms. */
  function ring(creep: PipeSpec['creep'], until_s: number): number[] {
    const long = { ...pipe, length_m: 277, bore_m: 0.0506, waveSpeed_mps: 395 };
    const coarse_s = 277 / 395 / 70;
    const reach = new Reach(creep === undefined ? long : { ...long, creep }, coarse_s, gravity_mps2, -10.1);
    reach.fill(45, 1e-3);
    const heads: number[] = [];
    for (let t = 0; t < until_s; t += coarse_s) {
      reach.advance();
      reach.setUpstream(45, (45 - reach.cm_m) / reach.bm);
      reach.setDownstream(reach.cp_m, 0);
      heads.push(reach.head_m[reach.cells] - 45);
    }
    return heads;
  }

  it('lets the fundamental die as linear viscoelasticity says, where an elastic wall rings on', () => {
    // Free swing of a pipe open at one end: w^2 (1 + share sum(j / (1 + i w tau))) = (pi a / 2 L)^2, J* of the generalised
    // Kelvin-Voigt body (Ferry, Viscoelastic Properties of Polymers; from memory).
    const share = 1 - (395 / 1481.2) ** 2;
    const elastic = (Math.PI * 395) / (2 * 277);
    let w: readonly [number, number] = [elastic, 0];
    for (let round = 0; round < 200; round++) {
      let soft: readonly [number, number] = [1, 0];
      for (const { compliance_ratio, retardation_s } of elements) {
        // 1 + i w tau.
        const re = 1 - w[1] * retardation_s;
        const im = w[0] * retardation_s;
        const size = re * re + im * im;
        soft = [
          soft[0] + (share * compliance_ratio * re) / size,
          soft[1] - (share * compliance_ratio * im) / size,
        ];
      }
      const angle = -Math.atan2(soft[1], soft[0]) / 2;
      const length = elastic / Math.sqrt(Math.hypot(soft[0], soft[1]));
      w = [length * Math.cos(angle), length * Math.sin(angle)];
    }
    const coarse_s = 277 / 395 / 70;
    const period_s = (2 * Math.PI) / w[0];
    const fundamental = (heads: number[], from_s: number) => {
      const first = Math.round(from_s / coarse_s);
      const many = Math.round((2 * period_s) / coarse_s);
      let re = 0;
      let im = 0;
      for (let k = first; k < first + many; k++) {
        const head = heads[k] * Math.sin((Math.PI * (k - first)) / many) ** 2;
        re += head * Math.cos(w[0] * k * coarse_s);
        im += head * Math.sin(w[0] * k * coarse_s);
      }
      return Math.hypot(re, im);
    };
    const decay = (heads: number[]) => Math.log(fundamental(heads, 3) / fundamental(heads, 11)) / 8;
    expect(decay(ring({ elements }, 20)) / Math.abs(w[1])).toBeGreaterThan(0.97);
    expect(decay(ring({ elements }, 20)) / Math.abs(w[1])).toBeLessThan(1.03);
    expect(Math.abs(decay(ring(undefined, 20)))).toBeLessThan(0.02);
  });

  it('lengthens the period, and the first rise is that of the elastic wall', () => {
    const elastic = ring(undefined, 6);
    const creeping = ring({ elements }, 6);
    expect(creeping[0] / elastic[0]).toBeGreaterThan(0.98);
    const crossing = (heads: number[]) => heads.findIndex((head, k) => k > 140 && head < 0);
    expect(crossing(creeping)).toBeGreaterThanOrEqual(crossing(elastic));
  });

  it('ends a slow load as a wall with all its compliance would: a / sqrt(1 + share sum J)', () => {
    const fast = [{ compliance_ratio: 0.5, retardation_s: 1e-5 }];
    // An element that relaxes within a step is part of the elastic wall.
    const long = { ...pipe, waveSpeed_mps: 400, length_m: 40, creep: { elements: fast } };
    const reach = new Reach(long, 1e-3, gravity_mps2, -10.1);
    const share = 1 - (400 / 1481.2) ** 2;
    const slower = 400 / Math.sqrt(1 + share * 0.5);
    reach.fill(0, 0);
    let arrived_s = 0;
    for (let k = 1; k < 400 && arrived_s === 0; k++) {
      reach.advance();
      reach.setUpstream(10, (10 - reach.cm_m) / reach.bm);
      const out = reach.cp_m / (reach.bp + reach.impedance);
      reach.setDownstream(reach.cp_m - reach.bp * out, out);
      if (reach.head_m[reach.cells] > 5) arrived_s = k * 1e-3;
    }
    expect(arrived_s).toBeGreaterThan((0.98 * 40) / slower);
    expect(arrived_s).toBeLessThan((1.03 * 40) / slower);
  });
});
