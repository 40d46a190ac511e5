import { describe, expect, it } from 'vitest';
import { allieviHeads_m } from '../../daemon/hydraulics/joukowsky.ts';
import { lossyFlow_m3ps } from '../../daemon/hydraulics/reach.ts';
import {
  holdDownstream,
  holdUpstream,
  pipeBench,
  shutDownstream,
  shutUpstream,
} from '../support/pipe-bench.ts';
import { seeded, within } from '../support/random-rig.ts';

const gravity_mps2 = 9.81;

describe('instant closure, no friction: exact', () => {
  it.each([
    { head: 50, velocity: 1, waveSpeed_mps: 1275, length_m: 10, cells: 16, jump: 129.96941896 },
    { head: 100, velocity: 1, waveSpeed_mps: 1200, length_m: 600, cells: 4, jump: 122.32415902140673 },
  ])(
    'a square wave of $jump m for 100 periods',
    ({ head, velocity, waveSpeed_mps, length_m, cells, jump }) => {
      const { reach } = pipeBench({ length_m, bore_m: 0.1, waveSpeed_mps, cells, gravity_mps2 });
      reach.fill(head, velocity * reach.area_m2);
      const exact = (waveSpeed_mps * velocity) / gravity_mps2;
      expect(Math.abs(exact - jump)).toBeLessThan(1e-7);
      let worst = 0;
      for (let step = 1; step <= 400 * cells; step++) {
        reach.advance();
        holdUpstream(reach, head);
        shutDownstream(reach);
        // High for 0 < t <= 2L/a, low up to 4L/a.
        const sign = Math.floor((step - 1) / (2 * cells)) % 2 === 0 ? 1 : -1;
        worst = Math.max(worst, Math.abs(reach.head_m[cells]! - (head + sign * exact)));
      }
      expect(worst).toBeLessThan(1e-9);
    },
  );

  it('repeats a random state after 4 L / a, and keeps its energy', () => {
    const cells = 24;
    const { reach } = pipeBench({ length_m: 30, bore_m: 0.1, waveSpeed_mps: 1200, cells, gravity_mps2 });
    const random = seeded(3);
    for (let i = 0; i <= cells; i++) {
      reach.head_m[i] = within(random, -50, 50);
      reach.flow_m3ps[i] = within(random, -0.02, 0.02);
    }
    reach.head_m[0] = 0;
    reach.flow_m3ps[cells] = 0;
    const heads = Float64Array.from(reach.head_m);
    const flows = Float64Array.from(reach.flow_m3ps);
    // Waves going right from nodes 0..n-1 and left from 1..n carry it all.
    const energy = () => {
      let sum = 0;
      for (let i = 0; i < cells; i++) sum += (reach.head_m[i]! + reach.impedance * reach.flow_m3ps[i]!) ** 2;
      for (let i = 1; i <= cells; i++) sum += (reach.head_m[i]! - reach.impedance * reach.flow_m3ps[i]!) ** 2;
      return sum;
    };
    const before = energy();
    for (let step = 0; step < 4 * cells; step++) {
      reach.advance();
      holdUpstream(reach, 0);
      shutDownstream(reach);
    }
    for (let i = 0; i <= cells; i++) {
      expect(Math.abs(reach.head_m[i]! - heads[i]!)).toBeLessThan(1e-11);
      expect(Math.abs(reach.flow_m3ps[i]! - flows[i]!)).toBeLessThan(1e-14);
    }
    expect(Math.abs(energy() / before - 1)).toBeLessThan(1e-13);
  });
});

describe('linear closure of an orifice valve against the interlocking equations', () => {
  /** Heads at the valve at every step. */
  function closure(
    head: number,
    velocity: number,
    waveSpeed_mps: number,
    length_m: number,
    stop_s: number,
    cells: number,
  ) {
    const { reach, dt_s } = pipeBench({ length_m, bore_m: 0.2, waveSpeed_mps, cells, gravity_mps2 });
    const full_m3ps = velocity * reach.area_m2;
    reach.fill(head, full_m3ps);
    const heads: number[] = [];
    for (let step = 1; step <= 14 * cells; step++) {
      reach.advance();
      holdUpstream(reach, head);
      // flow = opening * full * sqrt(H / head): a loss head / (opening full)^2 to head 0.
      const opening = Math.max(0, 1 - (step * dt_s) / stop_s);
      const loss = opening === 0 ? Infinity : head / (opening * full_m3ps) ** 2;
      const flow = loss === Infinity ? 0 : lossyFlow_m3ps(reach.cp_m, reach.bp, loss);
      reach.setDownstream(reach.cp_m - reach.bp * flow, flow);
      heads.push(reach.head_m[cells]!);
    }
    return { heads, dt_s };
  }

  // Allievi's equations (Parmakian, Waterhammer Analysis; from memory).
  it.each([
    ['A', 100, 2, 1000, 500, 5, 122.99319521],
    ['B', 100, 2, 1000, 500, 2, 170.69346624],
    ['C', 50, 1.5, 1200, 60, 0.3, 79.36873496],
  ] as const)('case %s', (_name, head, velocity, a, length, stop_s, first) => {
    const cells = 20;
    const { heads } = closure(head, velocity, a, length, stop_s, cells);
    const opening = Array.from({ length: 6 }, (_, i) => Math.max(0, 1 - ((i + 1) * 2 * length) / a / stop_s));
    const expected = allieviHeads_m(head, velocity, a, gravity_mps2, opening);
    expect(Math.abs(expected[0]! - first)).toBeLessThan(1e-6);
    for (let i = 0; i < 6; i++) {
      expect(Math.abs(heads[(i + 1) * 2 * cells - 1]! - expected[i]!)).toBeLessThan(1e-9);
    }
  });

  it.each([0.25, 0.5, 2])('pipe number %d, stops of 4, 6 and 10 times 2 L / a', (pipeNumber) => {
    const velocity = (pipeNumber * 2 * gravity_mps2 * 100) / 1000;
    for (const spans of [4, 6, 10]) {
      const { heads } = closure(100, velocity, 1000, 500, spans, 20);
      const opening = Array.from({ length: 6 }, (_, i) => Math.max(0, 1 - (i + 1) / spans));
      const expected = allieviHeads_m(100, velocity, 1000, gravity_mps2, opening);
      for (let i = 0; i < 6; i++)
        expect(Math.abs(heads[(i + 1) * 40 - 1]! - expected[i]!)).toBeLessThan(1e-9);
    }
  });

  it('finds the maximum that lies between multiples of 2 L / a', () => {
    // Converged value of case A, 123.658509 m at 1.456 s.
    const { heads, dt_s } = closure(100, 2, 1000, 500, 5, 400);
    const peak = Math.max(...heads);
    expect(Math.abs(peak - 123.658509)).toBeLessThan(1e-4);
    expect(Math.abs((heads.indexOf(peak) + 1) * dt_s - 1.456)).toBeLessThan(2e-3);
  });
});

describe('friction', () => {
  const pipe = { length_m: 100, bore_m: 0.1, waveSpeed_mps: 1250, gravity_mps2, friction_ratio: 0.02 };

  it('keeps a steady flow as it is', () => {
    const { reach } = pipeBench({ ...pipe, cells: 32 });
    const flow = 2.7 * reach.area_m2;
    const loss_m = (0.02 * 100 * 2.7 ** 2) / (0.1 * 2 * gravity_mps2);
    reach.fill(0, flow);
    for (let i = 0; i <= 32; i++) reach.head_m[i] = 80 - (loss_m * i) / 32;
    for (let step = 0; step < 20000; step++) {
      reach.advance();
      holdUpstream(reach, 80);
      holdDownstream(reach, 80 - loss_m);
    }
    for (let i = 0; i <= 32; i++) expect(Math.abs(reach.flow_m3ps[i]! / flow - 1)).toBeLessThan(1e-12);
  });

  it('takes from the waves what it turns into heat', () => {
    const cells = 64;
    const { reach, dt_s } = pipeBench({ ...pipe, cells });
    reach.fill(0, 2 * reach.area_m2);
    const b = reach.impedance;
    reach.setDownstream(2 * b * reach.area_m2, 0);
    const energy = () => {
      let sum = 0;
      for (let i = 0; i < cells; i++) sum += (reach.head_m[i]! + b * reach.flow_m3ps[i]!) ** 2;
      for (let i = 1; i <= cells; i++) sum += (reach.head_m[i]! - b * reach.flow_m3ps[i]!) ** 2;
      // Power of a wave in head squared over impedance, over rho g: one step carries it one cell.
      return (sum * dt_s) / (4 * b);
    };
    const start = energy();
    let last = start;
    let heat = 0;
    const factor = (0.02 * (100 / cells)) / (2 * gravity_mps2 * 0.1 * reach.area_m2 ** 2);
    for (let step = 0; step < 20 * cells; step++) {
      for (let i = 0; i < cells; i++) {
        const q = (Math.abs(reach.flow_m3ps[i]!) + Math.abs(reach.flow_m3ps[i + 1]!)) / 2;
        heat += factor * q ** 3 * dt_s;
      }
      reach.advance();
      holdUpstream(reach, 0);
      shutDownstream(reach);
      const now = energy();
      expect(now).toBeLessThanOrEqual(last * (1 + 1e-12));
      last = now;
    }
    expect(start - last).toBeGreaterThan(0.1 * start);
    expect(Math.abs(heat / (start - last) - 1)).toBeLessThan(0.02);
  });

  it('converges with the first power of the cell size, the first peak at once', () => {
    const run = (cells: number) => {
      const { reach } = pipeBench({ ...pipe, cells });
      const loss_m = (0.02 * 100 * 2.7 ** 2) / (0.1 * 2 * gravity_mps2);
      reach.fill(0, 2.7 * reach.area_m2);
      for (let i = 0; i <= cells; i++) reach.head_m[i] = 60 - (loss_m * i) / cells;
      let first = 0;
      for (let step = 0; step < 41 * cells; step++) {
        reach.advance();
        holdUpstream(reach, 60);
        shutDownstream(reach);
        if (step === 0) first = reach.head_m[cells]!;
      }
      return { first, late: reach.head_m[cells]! };
    };
    const [n8, n16, n32, n64] = [8, 16, 32, 64].map(run);
    const best = 2 * n64!.late - n32!.late;
    expect((n8!.late - best) / (n16!.late - best)).toBeGreaterThan(1.7);
    expect((n16!.late - best) / (n32!.late - best)).toBeGreaterThan(1.7);
    // The step of the very first instant differs by the friction of one cell only.
    expect(Math.abs(n8!.first - n64!.first)).toBeLessThan(1);
  });
});

describe('rigid column limit', () => {
  // The pump stops at once, the far vessel drives the water back: dV/dt = -G - k V|V| solved in closed form.
  it.each([
    { loss: 5, reversal_s: 0.24805527 },
    { loss: 0, reversal_s: 0.25227181 },
  ])('reverses at $reversal_s s with $loss velocity heads', ({ loss, reversal_s }) => {
    const g = 9.80665;
    const { reach, dt_s } = pipeBench({
      length_m: 30,
      bore_m: 0.2,
      waveSpeed_mps: 1200,
      cells: 100,
      gravity_mps2: g,
      friction_ratio: 0.02,
    });
    const factor = loss / (2 * g * reach.area_m2 ** 2);
    const flow = 2.5 * reach.area_m2;
    reach.fill(30 + factor * flow ** 2, flow);
    const friction_m = (0.02 * 30 * 2.5 ** 2) / (0.2 * 2 * g);
    for (let i = 0; i <= 100; i++) reach.head_m[i]! += friction_m * (1 - i / 100);
    let before = flow;
    let crossing_s = 0;
    const later: number[] = [];
    for (let step = 1; step * dt_s < reversal_s + 0.21; step++) {
      reach.advance();
      holdUpstream(reach, 0);
      const q = lossyFlow_m3ps(reach.cp_m - 30, reach.bp, factor);
      reach.setDownstream(reach.cp_m - reach.bp * q, q);
      const mean = reach.meanFlow_m3ps();
      if (mean < 0 && crossing_s === 0) crossing_s = dt_s * (step - 1 + before / (before - mean));
      before = mean;
      if (crossing_s > 0) later.push(mean / reach.area_m2);
    }
    expect(Math.abs(crossing_s / reversal_s - 1)).toBeLessThan(5e-3);
    if (loss === 5) {
      expect(Math.abs(later[Math.round(0.1 / dt_s)]! / -0.976413 - 1)).toBeLessThan(1e-2);
      expect(Math.abs(later[Math.round(0.2 / dt_s)]! / -1.92783662 - 1)).toBeLessThan(1e-2);
    } else {
      // The elastic solution, 100 cells: 0.252276 s; where in its first step the pump stops is a matter of taste.
      expect(Math.abs(crossing_s - 0.252276)).toBeLessThan(dt_s / 2);
    }
  });
});

describe('stop of a column that is still being accelerated', () => {
  it('peaks at static + rho a V + rho L d, not at rho a V', () => {
    const [density, g, a, length, d, reverse] = [998.207, 9.80665, 1200, 10, 8, 0.25];
    const cells = 400;
    const { reach } = pipeBench({ length_m: length, bore_m: 0.1, waveSpeed_mps: a, cells, gravity_mps2: g });
    const bar_m = 1e5 / (density * g);
    reach.fill(0, -reverse * reach.area_m2);
    for (let i = 0; i <= cells; i++) reach.head_m[i] = (-length * d * (1 - i / cells)) / g;
    const sag_bar = -reach.head_m[0]! / bar_m;
    let first_bar = 0;
    let peak_bar = 0;
    let peakStep = 0;
    for (let step = 1; step <= 6 * cells; step++) {
      reach.advance();
      shutUpstream(reach);
      holdDownstream(reach, 0);
      const now_bar = reach.head_m[0]! / bar_m;
      if (step === 1) first_bar = now_bar;
      if (now_bar > peak_bar) {
        peak_bar = now_bar;
        peakStep = step;
      }
    }
    expect(Math.abs(sag_bar - 0.7986)).toBeLessThan(1e-4);
    expect(Math.abs(first_bar + sag_bar - 2.9946)).toBeLessThan(2e-3 * 2.9946);
    expect(Math.abs(first_bar - 2.1961)).toBeLessThan(2e-3 * 2.9946);
    expect(Math.abs(peak_bar - 3.7932)).toBeLessThan(2e-3 * 3.7932);
    expect(Math.abs(peakStep / (2 * cells) - 1)).toBeLessThan(0.01);
  });
});
