import { describe, expect, it } from 'vitest';
import type { PlantSpec } from '../../../daemon/hydraulics/network/plant-spec.ts';
import type { MotorSpec } from '../../../daemon/hydraulics/parts.ts';
import { ObservedPlant } from '../../../daemon/virtual-rig/observed-plant.ts';
import { baseLeg, baseRig, leverValve, springValve } from '../../support/base-rig.ts';

const motor: MotorSpec = { breakdownTorque_ratio: 2.5, breakdownSlip_ratio: 0.08, noLoadSpeed_ratio: 1.003 };

/** The live rig: motor curve, contactor delay, 0.2 ms. */
function liveRig(part: Partial<PlantSpec> = {}): PlantSpec {
  const base = baseRig(springValve);
  return {
    ...base,
    dt_s: 0.2e-3,
    pumps: base.pumps.map((pump) => ({ ...pump, motor })),
    pressureSwitch: { setPoint_Pa: 5.5e5, hysteresis_Pa: 0.3e5, contactorDelay_s: 0.02 },
    ...part,
  };
}

function run(plant: ObservedPlant, span_s: number): void {
  const end_s = plant.time_s + span_s;
  while (plant.time_s < end_s) plant.step();
}

describe('a plant at rest', () => {
  it('stays at rest', () => {
    const plant = new ObservedPlant(liveRig());
    const before_Pa = plant.tank_Pa;
    run(plant, 1);
    expect(plant.tank_Pa).toBe(before_Pa);
    expect(plant.legs[0]!.opening_ratio).toBe(0);
    expect(plant.legs[0]!.velocity_mps).toBeCloseTo(0, 12);
    expect(plant.legs[0]!.outlet_Pa).toBeCloseTo(before_Pa, 6);
    expect(plant.legs[0]!.inlet_Pa).toBeCloseTo(1.5 * 9810, 6);
    expect(plant.hasDrive).toBe(false);
    expect(plant.truths).toEqual([]);
  });
});

describe('pressure switch and contactor', () => {
  it('trips the set point, a contactor delay later', () => {
    const plant = new ObservedPlant(liveRig());
    expect(plant.startPump(0)).toBe(true);
    while (!plant.isSwitchTripped) plant.step();
    const reached_s = plant.time_s;
    expect(plant.tank_Pa).toBeGreaterThanOrEqual(5.5e5);
    expect(plant.hasDrive).toBe(true);
    while (plant.hasDrive) plant.step();
    expect(plant.time_s - reached_s).toBeCloseTo(0.02, 3);
    expect(plant.truths[0]!.trip_s).toBeCloseTo(plant.time_s, 9);
  });

  it('refuses a start until the pressure is below the set point by the hysteresis, then cycles', () => {
    const plant = new ObservedPlant(liveRig());
    plant.startPump(0);
    while (plant.truths.length === 0) plant.step();
    run(plant, 3);
    const first = plant.truths[0]!;
    expect(first.seating_s).not.toBeNull();
    expect(plant.startPump(0)).toBe(false);
    plant.setDrain(0.02);
    while (plant.isSwitchTripped) plant.step();
    expect(plant.tank_Pa).toBeLessThan(5.2e5);
    expect(plant.tank_Pa).toBeGreaterThan(5.1e5);
    while (plant.tank_Pa > 4.5e5) plant.step();
    plant.setDrain(0);
    expect(plant.startPump(0)).toBe(true);
    while (plant.hasDrive) plant.step();
    run(plant, 1);
    const second = plant.truths[0]!;
    expect(second).not.toBe(first);
    expect(second.trip_s).toBeGreaterThan(first.trip_s + 3);
    // The same tank pressure, the same flow: the same closure but for the start from rest.
    expect(second.seating_s! - second.trip_s).toBeCloseTo(first.seating_s! - first.trip_s, 2);
  });

  it('without a switch trips only by hand', () => {
    const plant = new ObservedPlant(liveRig({ pressureSwitch: null }));
    plant.startPump(0);
    run(plant, 5);
    expect(plant.hasDrive).toBe(true);
    plant.trip();
    expect(plant.hasDrive).toBe(false);
    expect(plant.truths.length).toBe(1);
  });
});

describe('truth of a trip', () => {
  it('is in order and becomes final', () => {
    const plant = new ObservedPlant(liveRig());
    plant.startPump(0);
    while (plant.truths.length === 0) plant.step();
    run(plant, 4);
    const truth = plant.truths[0]!;
    expect(truth.trip_s).toBeLessThan(truth.reversal_s!);
    expect(truth.reversal_s!).toBeLessThan(truth.seating_s!);
    expect(truth.peak_s!).toBeGreaterThanOrEqual(truth.reversal_s!);
    expect(truth.velocityAtSeating_mps!).toBeLessThan(0);
    expect(truth.largestReverseVelocity_mps).toBeGreaterThanOrEqual(-truth.velocityAtSeating_mps!);
    expect(truth.peakAtTap_Pa).toBeLessThanOrEqual(truth.peakAtValve_Pa * 1.001);
    expect(truth.minimumAtValve_Pa).toBeLessThan(truth.staticAfter_Pa!);
    const copy = { ...truth };
    run(plant, 1);
    expect(plant.truths[0]).toEqual(copy);
  });

  it('says so when the valve never seats', () => {
    // A weight that holds the disc open.
    const stuck = { ...leverValve, lever: { moment_Nm: -400, angle_rad: 0 } };
    const plant = new ObservedPlant(baseRig(stuck));
    plant.startPump(0);
    while (plant.truths.length === 0) plant.step();
    run(plant, 9);
    const truth = plant.truths[0]!;
    expect(truth.reversal_s).not.toBeNull();
    expect(truth.seating_s).toBeNull();
    expect(truth.staticAfter_Pa).toBeNull();
    expect(truth.largestReverseVelocity_mps).toBeGreaterThan(1);
  });
});

describe('two pumps, two legs', () => {
  const base = liveRig();
  const spec = {
    ...base,
    pumps: [base.pumps[0]!, base.pumps[0]!],
    legs: [baseLeg(leverValve, 'A'), baseLeg(springValve, 'B')],
  };

  it('keeps water out of a shut leg and an isolated pump', () => {
    const plant = new ObservedPlant(spec);
    plant.setIsolation(1, 0);
    plant.startPump(0);
    run(plant, 2);
    expect(plant.legs[0]!.velocity_mps).toBeGreaterThan(2);
    expect(Math.abs(plant.legs[1]!.velocity_mps)).toBeLessThan(1e-3);
    expect(plant.pumpSpeed_ratio[0]).toBeGreaterThan(0.95);
    expect(plant.pumpSpeed_ratio[1]).toBe(0);
    while (plant.hasDrive) plant.step();
    expect(plant.truths.map(({ leg }) => leg)).toEqual(['A']);
  });

  it('sends more water through the legs with both pumps, less with a throttled leg', () => {
    const velocity = (pumps: number, opening: number) => {
      const plant = new ObservedPlant(spec);
      plant.setIsolation(1, opening);
      for (let i = 0; i < pumps; i++) plant.startPump(i);
      run(plant, 1.6);
      return plant.legs.map(({ velocity_mps }) => velocity_mps);
    };
    const [one, two, throttled] = [velocity(1, 1), velocity(2, 1), velocity(2, 0.2)];
    expect(two[1]!).toBeGreaterThan(one[1]! * 1.2);
    expect(throttled[1]!).toBeLessThan(two[1]! * 0.9);
    expect(throttled[0]!).toBeGreaterThan(two[0]!);
  });
});

describe('tank between runs', () => {
  it('is put back, and drained', () => {
    const plant = new ObservedPlant(liveRig());
    plant.setTank(3e5, 0.5);
    expect(plant.tank_Pa).toBeCloseTo(3e5, 6);
    plant.setDrain(0.01);
    run(plant, 2);
    expect(plant.tank_Pa).toBeLessThan(2.9e5);
  });
});

describe('a plant that cannot be', () => {
  it('is refused with every fault, its place and what is allowed', () => {
    const base = baseRig(springValve);
    const bad: PlantSpec = {
      ...base,
      pumps: [],
      legs: [{ ...base.legs[0]!, taps: { outlet_m: 7, inlet_m: 0.3, mid_m: 2, meter_m: Number.NaN } }],
      tank: { ...base.tank, airVolume_m3: 0 },
    };
    const build = () => new ObservedPlant(bad);
    expect(build).toThrow(/pumps: found 0, allowed at least 1/);
    expect(build).toThrow(/legs\[0\]\.taps\.outlet_m: found 7, allowed 0 to 5/);
    expect(build).toThrow(/legs\[0\]\.taps\.meter_m: found NaN/);
    expect(build).toThrow(/tank\.airVolume_m3: found 0, allowed above 0/);
  });

  it('is refused for a pipe too short for the time step', () => {
    const base = baseRig(springValve);
    const short = { ...base.legs[0]!, upstream: { ...base.legs[0]!.upstream, length_m: 0.1 } };
    expect(() => new ObservedPlant({ ...base, legs: [short] })).toThrow(
      /legs\[0\]\.upstream\.length_m: found 0\.1, allowed at least 0\.313 at this step/,
    );
  });
});
