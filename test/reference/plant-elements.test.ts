import { describe, expect, it } from 'vitest';
import { CheckValve } from '../../daemon/hydraulics/check-valve.ts';
import { type HeaderPipe, solveHeader_m } from '../../daemon/hydraulics/header.ts';
import type { TankSpec } from '../../daemon/hydraulics/parts.ts';
import { motorTorque_ratio, Pump } from '../../daemon/hydraulics/pump.ts';
import { Reach } from '../../daemon/hydraulics/reach.ts';
import { VesselEnd } from '../../daemon/hydraulics/reservoir.ts';
import { SuterCurve, suterTables } from '../../daemon/hydraulics/suter.ts';
import { AirTank } from '../../daemon/hydraulics/tank.ts';
import { baseRig, springValve } from '../support/base-rig.ts';
import { holdDownstream, holdUpstream, pipeBench, shutDownstream } from '../support/pipe-bench.ts';

const water = { density_kgpm3: 998.207, gravity_mps2: 9.80665, atmosphere_PaAbs: 101325 };

function tankSpec(part: Partial<TankSpec>): TankSpec {
  return {
    pressure_Pa: 0,
    airVolume_m3: 1,
    level_m: 0,
    surface_m2: 1e9,
    polytropic_ratio: 1.2,
    relaxation_s: null,
    absorption_ratio: 0,
    ...part,
  };
}

describe('complete pump characteristics', () => {
  // Sums and spot values of the published table (specific speed 35, SI).
  it('holds the 89 published points', () => {
    const { head, torque } = suterTables();
    expect(head.length).toBe(89);
    expect(torque.length).toBe(89);
    expect(head[88]).toBe(head[0]);
    expect(torque[88]).toBe(torque[0]);
    const sum = (table: Float64Array) => table.reduce((a, b) => a + b, 0);
    expect(Math.abs(sum(head) - 39.599)).toBeLessThan(1e-9);
    expect(Math.abs(sum(torque) + 3.298)).toBeLessThan(1e-9);
  });

  it.each([
    ['rated', 1, 1, 1, 1],
    ['shut-off', 0, 1, 1.288, 0.45],
    ['locked, forward flow', 1, 0, -0.556, -0.372],
    ['locked, reverse flow', -1, 0, 0.692, 0.865],
    ['turbine', -1, -1, 1.01, 0.454],
    ['half flow', 0.5, 1, 1.233828, 0.770617],
    ['over flow', 1.2, 1, 0.813672, 1.00669],
    ['reverse flow', -0.5, 1, 1.430949, 0.421155],
  ])('%s: flow %d, speed %d', (_name, flow, speed, head, torque) => {
    const point = { head_ratio: 0, torque_ratio: 0, slope: 0 };
    new SuterCurve().at(speed, flow, point);
    expect(Math.abs(point.head_ratio - head)).toBeLessThan(2e-6);
    expect(Math.abs(point.torque_ratio - torque)).toBeLessThan(2e-6);
  });

  it('gives the slope of its own head', () => {
    const curve = new SuterCurve();
    const point = { head_ratio: 0, torque_ratio: 0, slope: 0 };
    for (const [speed, flow] of [
      [1, 0.83],
      [0.6, -0.31],
      [0.9, 1.07],
    ] as const) {
      curve.at(speed, flow + 1e-5, point);
      const above = point.head_ratio;
      curve.at(speed, flow - 1e-5, point);
      const below = point.head_ratio;
      curve.at(speed, flow, point);
      expect(Math.abs(point.slope - (above - below) / 2e-5)).toBeLessThan(1e-4);
    }
  });
});

describe('pump run-down', () => {
  // Speed ratio 1 / (1 + t / tau), tau = inertia * speed^2 / power: 15 kW, 2900 1/min, 0.05 kg m2 give 0.307419900 s,
  // 0.754552981 at 0.1 s and 0.380743526 at 0.5 s. At shut-off the torque is 0.45 of rated, so is the inertia here.
  it('follows the affinity law at shut-off', () => {
    const speed_radps = (2 * Math.PI * 2900) / 60;
    const flow = 0.02;
    const head = (15000 * 0.75) / (998.207 * 9.80665 * flow);
    const spec = baseRig(springValve).pumps[0]!;
    const pump = new Pump(
      {
        ...spec,
        ratedFlow_m3ps: flow,
        ratedHead_m: head,
        ratedSpeed_radps: speed_radps,
        efficiency_ratio: 0.75,
        mechanicalLoss_ratio: 0,
        inertia_kgm2: 0.05 * 0.45,
      },
      0.1e-3,
      998.207,
      9.80665,
    );
    pump.setDrive(true);
    pump.advance(0, 1, 0, 1);
    pump.setDrive(false);
    for (let step = 1; step <= 5000; step++) {
      pump.advance(0, 1, 0, 1);
      if (step === 1000) expect(Math.abs(pump.speed_ratio - 0.754552981)).toBeLessThan(1e-6);
    }
    expect(Math.abs(pump.speed_ratio - 0.380743526)).toBeLessThan(1e-6);
  });
});

describe('motor', () => {
  const motor = { breakdownTorque_ratio: 2.5, breakdownSlip_ratio: 0.08, noLoadSpeed_ratio: 1.003 };

  it('has its breakdown torque at its breakdown slip', () => {
    const speed = 1.003 * (1 - 0.08);
    expect(motorTorque_ratio(motor, speed)).toBeCloseTo(2.5, 12);
    expect(motorTorque_ratio(motor, speed + 0.01)).toBeLessThan(2.5);
    expect(motorTorque_ratio(motor, speed - 0.01)).toBeLessThan(2.5);
  });

  it('brings the base pump to 95 % speed in about a second, and to a slip of one or two per cent', () => {
    const spec = { ...baseRig(springValve).pumps[0]!, motor };
    const dt_s = 0.25e-3;
    const pump = new Pump(spec, dt_s, 1000, 9.81);
    pump.isIsolated = false;
    pump.setDrive(true);
    let reached_s = 0;
    for (let step = 1; step < 12000; step++) {
      // Against pipes that take rated flow at rated head.
      pump.advance(0, 0, 59 * (pump.speed_ratio ** 2 - 0.1), 0.1 * (59 / 0.0222));
      if (reached_s === 0 && pump.speed_ratio >= 0.95) reached_s = step * dt_s;
    }
    expect(reached_s).toBeGreaterThan(0.6);
    expect(reached_s).toBeLessThan(1.5);
    expect(1.003 - pump.speed_ratio).toBeGreaterThan(0.008);
    expect(1.003 - pump.speed_ratio).toBeLessThan(0.025);
  });
});

describe('tank with trapped air', () => {
  // Small oscillation T = 2 pi sqrt(rho L V / (n p A)); rigid column, standard texts.
  it.each([
    [100, 0.2, 0.5, 5e5, 1.2, 10.22408884],
    [20, 0.15, 1, 4e5, 1.2, 9.6393634],
    [20, 0.15, 1, 4e5, 1, 10.559393548],
    [20, 0.15, 1, 4e5, 1.4, 8.924316385],
  ])(
    'swings %d m of DN %d on %d m3 at %d Pa, n %d: %d s',
    (length_m, bore_m, air, pressure_PaAbs, n, period_s) => {
      const { reach, dt_s } = pipeBench({
        length_m,
        bore_m,
        waveSpeed_mps: 1200,
        cells: 8,
        gravity_mps2: 9.80665,
      });
      const pressure_Pa = pressure_PaAbs - water.atmosphere_PaAbs;
      const tank = new AirTank(
        tankSpec({ pressure_Pa, airVolume_m3: air, polytropic_ratio: n }),
        dt_s,
        water,
      );
      const head_m = tank.head_m;
      reach.fill(head_m, 0.02 * reach.area_m2);
      const upward: number[] = [];
      let before = 0;
      for (let step = 1; upward.length < 3; step++) {
        reach.advance();
        holdUpstream(reach, head_m);
        holdDownstream(reach, tank.head_m);
        tank.advance(reach.flow_m3ps[8]!);
        const above = tank.head_m - head_m;
        if (before < 0 && above >= 0) upward.push(dt_s * (step - above / (above - before)));
        before = above;
      }
      const found_s = upward[2]! - upward[1]!;
      expect(Math.abs(found_s / period_s - 1)).toBeLessThan(1e-3);
    },
  );

  // Column thrown onto the air: energy balance of the rigid column (n = 1.2 also by direct integration, at 0.58753 s).
  it.each([
    [1, 1115899],
    [1.2, 1164398.3],
    [1.4, 1211888.6],
  ])('is compressed to the pressure that takes up the column, n %d: %d Pa', (n, peak_PaAbs) => {
    // A wave speed ten times that of steel makes the column nearly rigid.
    const { reach, dt_s } = pipeBench({
      length_m: 100,
      bore_m: 0.2,
      waveSpeed_mps: 12000,
      cells: 40,
      gravity_mps2: 9.80665,
    });
    const tank = new AirTank(
      tankSpec({ pressure_Pa: 5e5 - 101325, airVolume_m3: 0.05, polytropic_ratio: n }),
      dt_s,
      water,
    );
    const head_m = tank.head_m;
    reach.fill(head_m, 2 * reach.area_m2);
    let peak = 0;
    let peak_s = 0;
    for (let step = 1; step * dt_s < 1; step++) {
      reach.advance();
      holdUpstream(reach, head_m);
      holdDownstream(reach, tank.head_m);
      tank.advance(reach.flow_m3ps[40]!);
      if (tank.airPressure_PaAbs > peak) {
        peak = tank.airPressure_PaAbs;
        peak_s = step * dt_s;
      }
    }
    expect(Math.abs(peak / peak_PaAbs - 1)).toBeLessThan(3e-3);
    if (n === 1.2) expect(Math.abs(peak_s - 0.58753)).toBeLessThan(2e-3);
  });

  it('takes in exactly the water that the pipe gives', () => {
    const { reach, dt_s } = pipeBench({
      length_m: 10,
      bore_m: 0.1,
      waveSpeed_mps: 1200,
      cells: 32,
      gravity_mps2: 9.80665,
    });
    const tank = new AirTank(tankSpec({ pressure_Pa: 3e5, airVolume_m3: 0.3 }), dt_s, water);
    reach.fill(tank.head_m, 0);
    const factor = (9.80665 * reach.area_m2 * (10 / 32)) / 1200 ** 2;
    // Water squeezed into the pipe: trapezium over the nodes of head * g A dx / a^2.
    const stored = () => {
      let sum = (reach.head_m[0]! + reach.head_m[32]!) / 2;
      for (let i = 1; i < 32; i++) sum += reach.head_m[i]!;
      return sum * factor;
    };
    const before = stored();
    const air = tank.airVolume_m3;
    let inflow = 0;
    let lastFlow = 0;
    for (let step = 0; step * dt_s < 2; step++) {
      reach.advance();
      holdUpstream(reach, 45);
      holdDownstream(reach, tank.head_m);
      tank.advance(reach.flow_m3ps[32]!);
      inflow += (dt_s * (reach.flow_m3ps[0]! + lastFlow)) / 2;
      lastFlow = reach.flow_m3ps[0]!;
    }
    const gained = stored() - before + air - tank.airVolume_m3;
    expect(inflow).toBeGreaterThan(1e-3);
    expect(Math.abs(gained / inflow - 1)).toBeLessThan(1e-3);
  });

  it('cools: fast at first, then by most of the heat of compression', () => {
    const dt_s = 1e-3;
    const tank = new AirTank(
      tankSpec({ pressure_Pa: 3e5, airVolume_m3: 1, polytropic_ratio: 1.4, relaxation_s: 60 }),
      dt_s,
      water,
    );
    // A fill of 20 s to 6.8 bar, then 60 s of rest.
    let flow = 0;
    for (let step = 0; step < 20000; step++) {
      flow = tank.pressure_Pa < 6.8e5 ? 0.0212 : 0;
      tank.advance(flow);
    }
    const full_Pa = tank.pressure_Pa;
    expect(Math.abs(full_Pa / 6.8e5 - 1)).toBeLessThan(0.05);
    for (let step = 0; step < 1000; step++) tank.advance(0);
    const first_Pa = full_Pa - tank.pressure_Pa;
    for (let step = 0; step < 59000; step++) tank.advance(0);
    const minute_Pa = full_Pa - tank.pressure_Pa;
    expect(first_Pa).toBeGreaterThan(1000);
    expect(first_Pa).toBeLessThan(3000);
    expect(minute_Pa).toBeGreaterThan(0.5e5);
    expect(minute_Pa).toBeLessThan(1.1e5);
  });

  it('shows its level and counts the water over the pipe', () => {
    const tank = new AirTank(tankSpec({ pressure_Pa: 2e5, level_m: 0.5, surface_m2: 0.4 }), 1e-3, water);
    expect(tank.pressure_Pa).toBeCloseTo(2e5, 6);
    for (let step = 0; step < 1000; step++) tank.advance(0.02);
    expect(tank.level_m).toBeCloseTo(0.55, 9);
    expect(tank.head_m * 998.207 * 9.80665).toBeCloseTo(tank.pressure_Pa, 6);
    tank.set(2e5, 1);
    expect(tank.level_m).toBeCloseTo(0.5, 9);
    expect(tank.pressure_Pa).toBeCloseTo(2e5, 6);
  });
});

describe('absorbing vessel end', () => {
  it('rings down by a factor exp(2.85 zeta) a period, and leaves steady flow alone', () => {
    const cells = 32;
    const { reach, dt_s } = pipeBench({
      length_m: 10,
      bore_m: 0.1,
      waveSpeed_mps: 1250,
      cells,
      gravity_mps2: 9.81,
    });
    for (const zeta of [0.03, 0.053, 0.1]) {
      const end = new VesselEnd(zeta, reach.impedance, 10 / 1250, dt_s, 0);
      reach.fill(0, 0);
      // The fundamental of a pipe open upstream, shut downstream.
      for (let i = 0; i <= cells; i++) reach.head_m[i] = 10 * Math.sin((Math.PI * i) / (2 * cells));
      const peaks: number[] = [];
      let [older, old] = [0, 0];
      for (let step = 0; step < 4 * cells * 9; step++) {
        reach.advance();
        const flow = end.flowFrom_m3ps(0, reach.cm_m, reach.bm);
        reach.setUpstream(reach.cm_m + reach.bm * flow, flow);
        shutDownstream(reach);
        const now = reach.head_m[cells]!;
        if (old > older && old >= now && old > 0) peaks.push(old);
        older = old;
        old = now;
      }
      const decrement = Math.log(peaks[2]! / peaks[6]!) / 4;
      expect(Math.abs(decrement / (2.85 * zeta) - 1)).toBeLessThan(0.1);
    }
    const end = new VesselEnd(0.12, reach.impedance, 10 / 1250, dt_s, 0);
    const flow = 2 * reach.area_m2;
    end.settle(flow);
    expect(end.flowInto_m3ps(30, 30 + reach.impedance * flow, reach.impedance)).toBeCloseTo(flow, 15);
  });
});

describe('header', () => {
  it('sends in what comes out, through throttles of any size', () => {
    const pipes: HeaderPipe[] = [
      { drive_m: 80, impedance: 1.5e4, loss: 0, flow_m3ps: 0 },
      { drive_m: 70, impedance: 1.2e4, loss: 0, flow_m3ps: 0 },
      { drive_m: 30, impedance: 1.4e4, loss: 4e3, flow_m3ps: 0 },
      { drive_m: 20, impedance: 1.4e4, loss: 4e8, flow_m3ps: 0 },
      { drive_m: -50, impedance: 1.4e4, loss: Infinity, flow_m3ps: 0 },
    ];
    const head_m = solveHeader_m(pipes, 0);
    expect(pipes[4]!.flow_m3ps).toBe(0);
    expect(Math.abs(pipes.reduce((sum, pipe) => sum + pipe.flow_m3ps, 0))).toBeLessThan(1e-13);
    for (const { drive_m, impedance, loss, flow_m3ps } of pipes.slice(0, 4)) {
      const back_m = head_m + impedance * flow_m3ps + loss * flow_m3ps * Math.abs(flow_m3ps);
      expect(Math.abs(back_m - drive_m)).toBeLessThan(1e-7);
    }
  });

  it('keeps its head when every pipe is shut', () => {
    expect(solveHeader_m([{ drive_m: 3, impedance: 1, loss: Infinity, flow_m3ps: 1 }], 7)).toBe(7);
  });
});

describe('vapour', () => {
  it('opens a cavity behind a column that runs away, for as long as the rigid column says', () => {
    const dt_s = 10 / (1250 * 64);
    const pipe = { length_m: 10, bore_m: 0.1, waveSpeed_mps: 1250, friction_ratio: 0, hasCavities: false };
    const liquid = { ...water, vapourHead_m: -10.1 };
    const upstream = new Reach({ ...pipe, length_m: 1 }, dt_s, 9.80665, -10.1);
    const downstream = new Reach(pipe, dt_s, 9.80665, -10.1);
    const [static_m, velocity] = [5, 1];
    upstream.fill(static_m, 0);
    downstream.fill(static_m, velocity * downstream.area_m2);
    // A spring that no pressure opens.
    const shut = { ...springValve, spring: { preload_Nm: 1e5, rate_Nmprad: 0 } };
    const valve = new CheckValve(shut, dt_s, upstream, downstream, liquid);
    let volume = 0;
    let closed_s = 0;
    for (let step = 1; closed_s === 0; step++) {
      upstream.advance();
      downstream.advance();
      valve.advance();
      holdUpstream(upstream, static_m);
      holdDownstream(downstream, static_m);
      volume = Math.max(volume, valve.downstreamCavity_m3);
      if (volume > 0 && valve.downstreamCavity_m3 === 0) closed_s = step * dt_s;
      expect(downstream.head_m[0]!).toBeGreaterThanOrEqual(-10.1);
    }
    // Column decelerated by static head over vapour head: 2 V L / (g dH); volume A V^2 L / (2 g dH).
    const rigid_s = (2 * velocity * 10) / (9.80665 * 15.1);
    const rigid_m3 = (downstream.area_m2 * velocity ** 2 * 10) / (2 * 9.80665 * 15.1);
    expect(Math.abs(closed_s / rigid_s - 1)).toBeLessThan(0.02);
    expect(Math.abs(volume / rigid_m3 - 1)).toBeLessThan(0.02);
  });

  it('inside a pipe never lets the head below vapour head, and leaves the first peak as it was', () => {
    const peaks = [false, true].map((hasCavities) => {
      const { reach } = pipeBench({
        length_m: 100,
        bore_m: 0.1,
        waveSpeed_mps: 1250,
        cells: 32,
        gravity_mps2: 9.81,
        friction_ratio: 0.02,
        hasCavities,
      });
      reach.fill(20, 0.6 * reach.area_m2);
      let first = 0;
      let lowest = Infinity;
      let largest = 0;
      for (let step = 0; step < 20 * 32; step++) {
        reach.advance();
        holdUpstream(reach, 20);
        shutDownstream(reach);
        if (step < 64) first = Math.max(first, reach.head_m[32]!);
        for (let i = 1; i < 32; i++) lowest = Math.min(lowest, reach.head_m[i]!);
        largest = Math.max(largest, reach.cavities_m3());
      }
      return { first, lowest, largest };
    });
    const [without, with_] = peaks;
    expect(with_!.first).toBeCloseTo(without!.first, 9);
    expect(without!.lowest).toBeLessThan(-20);
    expect(with_!.lowest).toBeGreaterThanOrEqual(-10.1);
    expect(with_!.largest).toBeGreaterThan(0);
  });
});
