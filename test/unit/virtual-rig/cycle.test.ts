import { describe, expect, it } from 'vitest';
import { Cycle, type CycleSpec, type TripRecord } from '../../../daemon/virtual-rig/cycle.ts';
import type { LegTruth } from '../../../daemon/virtual-rig/plant-truth.ts';
import { Random } from '../../../daemon/virtual-rig/random.ts';
import { legConstants, tripTruth } from '../../../daemon/virtual-rig/truth.ts';
import { baseLeg, baseRig, springValve } from '../../support/base-rig.ts';
import { FakePlant } from '../../support/fake-plant.ts';

const spec: CycleSpec = {
  legs: [[0], [1]],
  pause_s: 0.1,
  stagger_s: 0.05,
  settle_s: 0.3,
  giveUp_s: 1,
  drain_m3ps: 0.05,
  start_Pa: 3e5,
  contactDelay_s: [0.005, 0.025],
  trips: null,
};

function truth(changes: Partial<LegTruth>): LegTruth {
  return {
    leg: 'A',
    trip_s: 0.5,
    approachVelocity_mps: 2.5,
    reversal_s: 0.7,
    seating_s: null,
    velocityAtSeating_mps: -0.1,
    largestReverseVelocity_mps: 0.1,
    decelerationAtReversal_mps2: 12,
    peakAtValve_Pa: 8e5,
    peak_s: 0.72,
    peakAtTap_Pa: 7.9e5,
    minimumAtValve_Pa: 3e5,
    staticAfter_Pa: 5.5e5,
    seatContacts: 1,
    hasCavitated: false,
    ...changes,
  };
}

function make(changes: Partial<CycleSpec> = {}) {
  const base = baseRig(springValve, 1e-3);
  const plant = new FakePlant({
    ...base,
    dt_s: 1e-3,
    pumps: [base.pumps[0]!, base.pumps[0]!],
    legs: [base.legs[0]!, baseLeg(springValve, 'B')],
  });
  const records: TripRecord[] = [];
  const cycle = new Cycle(plant, { ...spec, ...changes }, new Random(4), (record) => records.push(record));
  const run = (duration_s: number, each: () => void = () => undefined) => {
    for (let i = 0; i < Math.round(duration_s / 1e-3); i++) {
      plant.step();
      cycle.follow();
      each();
    }
  };
  const loseDrive = () => {
    plant.hasDrive = false;
    plant.truths = [truth({ trip_s: plant.time_s })];
  };
  return { plant, cycle, records, run, loseDrive };
}

describe('the cycle', () => {
  it('opens one leg, waits, and starts the pumps one after the other', () => {
    const { plant, cycle, run } = make();
    expect(plant.calls).toEqual(['isolation 0 1', 'isolation 1 0']);
    run(0.099);
    expect(cycle.phase).toBe('waiting');
    expect(cycle.runContact).toBe(0);
    run(0.03);
    expect(plant.calls.slice(2)).toEqual(['start 0']);
    expect(cycle).toMatchObject({ phase: 'filling', runContact: 1, pressureSwitch: 0 });
    run(0.05);
    expect(plant.calls.slice(2)).toEqual(['start 0', 'start 1']);
  });

  it('opens the run contact 5 to 25 ms after the loss of drive, a little different every time', () => {
    const delays = new Set<number>();
    for (let seed = 0; seed < 8; seed++) {
      const { plant, cycle, run, loseDrive } = make();
      run(0.3 + seed * 0.01);
      loseDrive();
      const lost_s = plant.time_s + 1e-3;
      let opened_s = 0;
      run(0.05, () => {
        if (opened_s === 0 && cycle.runContact === 0) opened_s = plant.time_s;
      });
      expect(opened_s - lost_s).toBeGreaterThanOrEqual(0.005 - 1e-9);
      expect(opened_s - lost_s).toBeLessThanOrEqual(0.026);
      delays.add(opened_s - lost_s);
    }
    expect(delays.size).toBeGreaterThan(0);
  });

  it('leaves the water alone until it has settled, then drains, changes the leg and begins again', () => {
    const { plant, cycle, records, run, loseDrive } = make();
    run(0.3);
    plant.tank_Pa = 5.5e5;
    plant.isSwitchTripped = true;
    run(0.04);
    loseDrive();
    run(0.5);
    expect(cycle).toMatchObject({ phase: 'closing', pressureSwitch: 1 });
    plant.truths = [truth({ seating_s: plant.time_s })];
    run(0.29);
    expect(records).toHaveLength(0);
    run(0.02);
    expect(records).toHaveLength(1);
    expect(records[0]).toMatchObject({ trip: 1, openLegs: [0], switchTripped_s: expect.closeTo(0.301, 6) });
    expect(records[0]!.driveLost_s).toBeCloseTo(0.341, 6);
    expect(plant.calls.at(-1)).toBe('drain 0.05');
    expect(cycle.phase).toBe('draining');
    plant.tank_Pa = 2.9e5;
    plant.isSwitchTripped = false;
    run(0.01);
    expect(plant.calls.slice(-3)).toEqual(['drain 0', 'isolation 0 0', 'isolation 1 1']);
    expect(cycle).toMatchObject({ phase: 'waiting', pressureSwitch: 0 });
    run(0.2);
    expect(cycle.phase).toBe('filling');
  });

  it('gives up waiting for a valve that does not close', () => {
    const { records, run, loseDrive } = make();
    run(0.3);
    loseDrive();
    run(0.99);
    expect(records).toHaveLength(0);
    run(0.02);
    expect(records[0]!.truths[0]!.seating_s).toBeNull();
  });

  it('takes a power cut for a trip without switch, and ends after the trips it was asked for', () => {
    const { plant, cycle, records, run, loseDrive } = make({ trips: 1 });
    run(0.3);
    loseDrive();
    plant.truths = [truth({ seating_s: 0.6 })];
    run(1.1);
    expect(records[0]!.switchTripped_s).toBeNull();
    expect(cycle.phase).toBe('ended');
    const calls = plant.calls.length;
    run(1);
    expect(plant.calls).toHaveLength(calls);
  });
});

describe('a truth', () => {
  it('moves every instant to the monotonic clock and nothing else', () => {
    const plant = baseRig(springValve);
    const record: TripRecord = {
      trip: 3,
      openLegs: [0],
      driveLost_s: 0.5,
      contactOpened_s: 0.51,
      switchTripped_s: null,
      truths: [truth({ seating_s: 0.8, reversal_s: null })],
    };
    const moved = tripTruth('loop', plant, record, (plant_s) => 1000 + plant_s, false);
    expect(moved).toMatchObject({
      openLegs: ['A'],
      driveLost_s: 1000.5,
      contactOpened_s: 1000.51,
      switchTripped_s: null,
    });
    expect(moved.legs[0]).toMatchObject({
      trip_s: 1000.5,
      seating_s: 1000.8,
      reversal_s: null,
      approachVelocity_mps: 2.5,
      decelerationAtReversal_mps2: 12,
      peakAtTap_Pa: 7.9e5,
    });
  });

  it('tells the wave speed that the grid really has, and the length that the tank end adds', () => {
    const plant = baseRig(springValve, 2e-4);
    const { waveSpeed_mps, inertiaRatio, length_m } = legConstants(plant, 'A');
    expect(waveSpeed_mps).toBeCloseTo(1275, 6);
    expect({ inertiaRatio, length_m }).toEqual({ inertiaRatio: 1.06, length_m: 5 });
    expect(() => legConstants(plant, 'X')).toThrow('no leg X');
  });
});
