/**
 * Numbers that another implementation of the same equations gave, in another language and code, for the base rig.
 * They test the text of the equations, not nature.
 */
import { describe, expect, it } from 'vitest';
import { exactStep_s, type ValveSpec } from '../../daemon/hydraulics/parts.ts';
import { ObservedPlant } from '../../daemon/virtual-rig/observed-plant.ts';
import type { LegTruth } from '../../daemon/virtual-rig/plant-truth.ts';
import { baseLeg, baseRig, cushionValve, leverValve, springValve } from '../support/base-rig.ts';
import { randomRig, scaledValve, seeded } from '../support/random-rig.ts';

/** Fills, trips at the pressure switch, and runs on for 2.5 s. */
function tripped(valve: ValveSpec, wanted_s?: number): { truth: LegTruth; opening_rad: number } {
  const plant = new ObservedPlant(baseRig(valve, wanted_s));
  plant.startPump(0);
  let opening_rad = 0;
  while (plant.hasDrive) {
    opening_rad = plant.legs[0]!.opening_ratio * valve.disc.stop_rad;
    plant.step();
  }
  const end_s = plant.time_s + 2.5;
  while (plant.time_s < end_s) plant.step();
  return { truth: plant.truths[0]!, opening_rad };
}

function surge_bar(truth: LegTruth): number {
  return (truth.peakAtValve_Pa - truth.staticAfter_Pa!) / 1e5;
}

describe.each([
  {
    name: 'lever and cushion',
    valve: cushionValve,
    velocity: 2.695,
    opening: 0.4764,
    reversal: 0.2822,
    seating: 0.671,
    reverse: [1.686, 0.02],
    surge: [5.99, 0.06],
  },
  {
    name: 'spring',
    valve: springValve,
    velocity: 2.67,
    opening: 0.1782,
    reversal: 0.2677,
    seating: 0.2732,
    reverse: [0.0793, 0.05],
    surge: [1.7, 0.03],
  },
])('base rig, $name', ({ valve, velocity, opening, reversal, seating, reverse, surge }) => {
  const { truth, opening_rad } = tripped(valve);

  it('trips after 3.16 to 3.19 s at the known velocity and opening', () => {
    expect(truth.trip_s).toBeGreaterThan(3.15);
    expect(truth.trip_s).toBeLessThan(3.2);
    expect(Math.abs(truth.approachVelocity_mps / velocity - 1)).toBeLessThan(5e-3);
    expect(Math.abs(opening_rad / opening - 1)).toBeLessThan(5e-3);
  });

  it('reverses and seats at the known instants', () => {
    expect(Math.abs(truth.reversal_s! - truth.trip_s - reversal)).toBeLessThan(3e-3);
    expect(Math.abs(truth.seating_s! - truth.trip_s - seating)).toBeLessThan(3e-3);
  });

  it('runs back as fast, and peaks as high', () => {
    expect(Math.abs(truth.largestReverseVelocity_mps / reverse[0]! - 1)).toBeLessThan(reverse[1]!);
    expect(Math.abs(surge_bar(truth) / surge[0]! - 1)).toBeLessThan(surge[1]!);
  });
});

describe('the shape of a sharp closure', () => {
  it('steps by rho a V, then ramps for 2 L / a to rho a V + rho L d', () => {
    const plant = new ObservedPlant(baseRig(springValve));
    plant.startPump(0);
    while (plant.truths.length === 0 || plant.truths[0]!.seating_s === null) plant.step();
    const truth = plant.truths[0]!;
    const after = [plant.legs[0]!.outlet_Pa];
    while (plant.time_s < truth.seating_s! + 0.06) {
      plant.step();
      after.push(plant.legs[0]!.outlet_Pa);
    }
    const surge_Pa = truth.peakAtValve_Pa - truth.staticAfter_Pa!;
    const step_Pa = 1000 * 1275 * -truth.velocityAtSeating_mps!;
    const ramp_Pa = 1000 * 5 * truth.decelerationAtReversal_mps2!;
    expect(Math.abs(step_Pa / 1.03e5 - 1)).toBeLessThan(0.03);
    expect(Math.abs(surge_Pa / (step_Pa + ramp_Pa) - 1)).toBeLessThan(0.05);
    const plateau_s = truth.peak_s! - truth.seating_s!;
    expect(Math.abs(plateau_s - (2 * 5) / 1275)).toBeLessThan(0.6e-3);
    expect(Math.min(...after)).toBeLessThan(truth.staticAfter_Pa!);
  });
});

describe('one rig, another valve: what test engineers see', () => {
  // Common practice, no source: 0.67 s and 6.2 bar with lever weight and air cushion, 0.28 s and 1.4 bar with a spring-assisted
  // short stroke, on the same loop. The other implementation gave 0.671 s and 6.14 bar, 0.265 s and 1.44 bar.
  it('lever and cushion: 0.67 s and 6.2 bar to 3 %', () => {
    const { truth } = tripped(cushionValve, 0.0625e-3);
    expect(Math.abs((truth.seating_s! - truth.trip_s) / 0.67 - 1)).toBeLessThan(0.03);
    expect(Math.abs(surge_bar(truth) / 6.2 - 1)).toBeLessThan(0.03);
    expect(Math.abs((truth.seating_s! - truth.trip_s) / 0.671 - 1)).toBeLessThan(0.01);
    expect(Math.abs(surge_bar(truth) / 6.14 - 1)).toBeLessThan(0.02);
  });

  it('spring with 12 N m preload and a wider gap: 0.28 s and 1.4 bar to 6 %', () => {
    const stiff: ValveSpec = {
      ...springValve,
      disc: { ...springValve.disc, gap_ratio: 1.4 },
      spring: { preload_Nm: 12, rate_Nmprad: 6 },
    };
    const { truth } = tripped(stiff, 0.125e-3);
    expect(Math.abs((truth.seating_s! - truth.trip_s) / 0.28 - 1)).toBeLessThan(0.06);
    expect(Math.abs(surge_bar(truth) / 1.4 - 1)).toBeLessThan(0.06);
    expect(Math.abs((truth.seating_s! - truth.trip_s) / 0.265 - 1)).toBeLessThan(0.01);
    expect(Math.abs(surge_bar(truth) / 1.44 - 1)).toBeLessThan(0.02);
  });

  it('three reverse velocities of a cushioned closure are not one', () => {
    const { truth } = tripped(cushionValve);
    expect(truth.largestReverseVelocity_mps).toBeGreaterThan(10 * -truth.velocityAtSeating_mps!);
    const equivalent_mps = surge_bar(truth) / 12.75;
    expect(equivalent_mps).toBeGreaterThan(2 * -truth.velocityAtSeating_mps!);
    expect(equivalent_mps).toBeLessThan(truth.largestReverseVelocity_mps / 2);
  });

  it('a lever without its cushion slams early', () => {
    const { truth } = tripped(leverValve);
    expect(Math.abs(truth.seating_s! - truth.trip_s - 0.31)).toBeLessThan(0.005);
    expect(Math.abs(surge_bar(truth) / 5.5 - 1)).toBeLessThan(0.06);
  });
});

describe('time step', () => {
  it('moves the closing time by no more than 3 ms', () => {
    const seatings = [0.5e-3, 0.25e-3, 0.125e-3, 0.0625e-3].map((wanted_s) => {
      const { truth } = tripped({ ...springValve, subSteps: 8 }, wanted_s);
      return truth.seating_s! - truth.trip_s;
    });
    for (const seating_s of seatings) expect(Math.abs(seating_s - seatings[3]!)).toBeLessThan(3e-3);
  });

  it('moves the velocity at which a bare swing disc seats by no more than 2 %', () => {
    const random = seeded(20);
    for (let i = 0; i < 4; i++) {
      const spec = randomRig(random, 'plain');
      const [coarse, fine] = [0.25e-3, 0.0625e-3].map((wanted_s) => {
        const plant = new ObservedPlant({
          ...spec,
          dt_s: exactStep_s(spec.legs[0]!.downstream, wanted_s),
        });
        plant.startPump(0);
        while (plant.truths[0]?.seating_s == null) plant.step();
        return plant.truths[0]!.velocityAtSeating_mps!;
      });
      expect(Math.abs(coarse! / fine! - 1)).toBeLessThan(0.02);
    }
  });
});

describe('oil dashpot', () => {
  // Model only: DN150, lever 22.6 N m, inertia 1.04 kg m2, leg 9 m, coefficient 1000 N m s2, engaging at 0.15 rad:
  // 0.67 s, largest reverse 1.31, at seating 0.09 m/s, 3.8 bar. The rest of that rig is not known: order only.
  it('seats late and softly', () => {
    const k = 0.1541 / 0.1023;
    const base = baseRig(cushionValve);
    const scaled = scaledValve(leverValve, k);
    const valve: ValveSpec = {
      ...scaled,
      disc: { ...scaled.disc, inertia_kgm2: 1.04 },
      lever: { moment_Nm: 22.6, angle_rad: -0.25 },
      dashpot: { coefficient_Nms2: 1000, engage_rad: 0.15 },
    };
    const leg = baseLeg(valve, 'A', 9);
    const wide = { ...leg.downstream, bore_m: 0.1541 };
    const plant = new ObservedPlant({
      ...base,
      pumps: base.pumps.map((pump) => ({
        ...pump,
        suction: { ...pump.suction, bore_m: 0.23 },
        discharge: { ...pump.discharge, bore_m: 0.1541 },
        ratedFlow_m3ps: 0.0222 * k ** 2,
        inertia_kgm2: 0.143 * k ** 2,
      })),
      legs: [{ ...leg, upstream: { ...leg.upstream, bore_m: 0.1541 }, downstream: wide }],
      tank: { ...base.tank, airVolume_m3: 0.6739 * k ** 2 },
    });
    plant.startPump(0);
    while (plant.time_s < 6) plant.step();
    const truth = plant.truths[0]!;
    const closing_s = truth.seating_s! - truth.trip_s;
    console.info(
      `dashpot, model only: ${closing_s.toFixed(3)} s, largest ${truth.largestReverseVelocity_mps.toFixed(2)} m/s, ` +
        `at seating ${truth.velocityAtSeating_mps!.toFixed(2)} m/s, ${surge_bar(truth).toFixed(2)} bar`,
    );
    expect(closing_s).toBeGreaterThan(0.4);
    expect(closing_s).toBeLessThan(1);
    expect(-truth.velocityAtSeating_mps!).toBeLessThan(0.25);
    expect(truth.largestReverseVelocity_mps).toBeGreaterThan(4 * -truth.velocityAtSeating_mps!);
    expect(surge_bar(truth)).toBeGreaterThan(1.5);
    expect(surge_bar(truth)).toBeLessThan(7);
  });
});

describe('two pumps, two legs', () => {
  it('closes each leg by its own valve', () => {
    const base = baseRig(cushionValve);
    const plant = new ObservedPlant({
      ...base,
      pumps: [base.pumps[0]!, base.pumps[0]!],
      legs: [baseLeg(cushionValve, 'A'), baseLeg(springValve, 'B')],
      tank: { ...base.tank, airVolume_m3: 0.8 },
    });
    plant.startPump(0);
    plant.startPump(1);
    while (plant.time_s < 6) plant.step();
    const [lever, spring] = plant.truths;
    // Closures known for this pair: 0.671 and 0.244 s.
    expect(Math.abs(spring!.seating_s! - spring!.trip_s - 0.244)).toBeLessThan(0.02);
    expect(Math.abs(lever!.seating_s! - lever!.trip_s - 0.671)).toBeLessThan(0.05);
    expect(lever!.seating_s!).toBeGreaterThan(spring!.seating_s!);
  });

  // Continuity: what passes the valves is in the tank, but for what the pipes behind them store, A L dp / (rho a^2).
  it('neither makes nor loses water: the tank gains what passes the valves', () => {
    const base = baseRig(cushionValve);
    const legs = [baseLeg(cushionValve, 'A'), baseLeg(springValve, 'B')];
    const plant = new ObservedPlant({
      ...base,
      pumps: [base.pumps[0]!, base.pumps[0]!],
      legs,
      tank: { ...base.tank, airVolume_m3: 0.8 },
    });
    const start = { level_m: plant.tankLevel_m, outlets_Pa: plant.legs.map((leg) => leg.outlet_Pa) };
    const areas_m2 = legs.map(({ downstream }) => (Math.PI / 4) * downstream.bore_m ** 2);
    plant.startPump(0);
    plant.startPump(1);
    let passed_m3 = 0;
    while (plant.time_s < 6) {
      const before = plant.legs.map((leg) => leg.valveVelocity_mps);
      const before_s = plant.time_s;
      plant.step();
      const dt_s = plant.time_s - before_s;
      plant.legs.forEach((leg, k) => {
        passed_m3 += (areas_m2[k]! * (before[k]! + leg.valveVelocity_mps) * dt_s) / 2;
      });
    }
    const gained_m3 = (plant.tankLevel_m - start.level_m) * base.tank.surface_m2;
    const stored_m3 = legs.reduce((sum, { downstream }, k) => {
      const rise_Pa = plant.legs[k]!.outlet_Pa - start.outlets_Pa[k]!;
      return sum + (areas_m2[k]! * downstream.length_m * rise_Pa) / (1000 * downstream.waveSpeed_mps ** 2);
    }, 0);
    expect(gained_m3).toBeGreaterThan(0.05);
    expect(Math.abs((gained_m3 + stored_m3) / passed_m3 - 1)).toBeLessThan(1e-8);
  });
});
