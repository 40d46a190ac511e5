import { describe, expect, it } from 'vitest';
import type { CheckValve } from '../../../daemon/hydraulics/check-valve.ts';
import { TruthKeeper } from '../../../daemon/virtual-rig/plant-truth.ts';
import { pipeBench } from '../../support/pipe-bench.ts';

const step_s = 1e-3;

/** A leg whose column and valve are moved by hand: velocity falls by `slope` m/s2 until the disc seats. */
function keeperOf(start_mps: number, slope_mps2: number, seating_s: number) {
  const { reach } = pipeBench({
    length_m: 5,
    bore_m: 0.1,
    waveSpeed_mps: 1250,
    cells: 4,
    gravity_mps2: 9.81,
  });
  const disc = {
    flow_m3ps: 0,
    contacts: 0,
    contactShare: 0,
    reversalShare: -1,
    smallestFlow_m3ps: 0,
  };
  const valve = { disc, upstreamCavity_m3: 0, downstreamCavity_m3: 0 };
  const keeper = new TruthKeeper({
    id: 'A',
    downstream: reach,
    valve: valve as unknown as CheckValve,
    dt_s: step_s,
    weight_Npm3: 9810,
  });
  const area = reach.area_m2;
  const velocityAt = (time_s: number) => start_mps - slope_mps2 * time_s;
  disc.flow_m3ps = start_mps * area;
  reach.fill(50, disc.flow_m3ps);
  keeper.begin(0);
  for (let k = 1; k <= 400; k++) {
    const time_s = k * step_s;
    const before = velocityAt(time_s - step_s);
    const now = velocityAt(time_s);
    const seats = time_s - step_s < seating_s && seating_s <= time_s;
    const isShut = time_s >= seating_s;
    disc.contacts = seats ? 1 : 0;
    disc.contactShare = 1 - (time_s - seating_s) / step_s;
    disc.reversalShare = !isShut && before >= 0 && now < 0 ? before / (before - now) : -1;
    disc.smallestFlow_m3ps = (isShut ? Math.min(0, velocityAt(seating_s)) : now) * area;
    disc.flow_m3ps = isShut ? 0 : now * area;
    reach.fill(isShut ? 60 : 45, disc.flow_m3ps);
    keeper.advance(time_s, reach.head_m[0]! * 9810, 5e5);
  }
  return keeper.truth!;
}

describe('truth of a leg', () => {
  it('times reversal and seating between steps', () => {
    const truth = keeperOf(2, 10, 0.2104);
    expect(truth.reversal_s).toBeCloseTo(0.2, 9);
    expect(truth.seating_s).toBeCloseTo(0.2104, 9);
    expect(truth.velocityAtSeating_mps).toBeCloseTo(-0.104, 9);
    expect(truth.largestReverseVelocity_mps).toBeCloseTo(0.104, 9);
    expect(truth.decelerationAtReversal_mps2).toBeCloseTo(10, 6);
    expect(truth.peakAtValve_Pa).toBeCloseTo(60 * 9810, 6);
    expect(truth.minimumAtValve_Pa).toBeCloseTo(45 * 9810, 6);
    expect(truth.staticAfter_Pa).toBe(5e5);
    expect(truth.seatContacts).toBe(1);
  });

  it('cuts the window of the deceleration off at seating', () => {
    expect(keeperOf(2, 10, 0.2035).decelerationAtReversal_mps2).toBeCloseTo(10, 6);
  });

  it('knows no reversal when the disc seats on forward flow', () => {
    const truth = keeperOf(2, 10, 0.1903);
    expect(truth.reversal_s).toBeNull();
    expect(truth.decelerationAtReversal_mps2).toBeNull();
    expect(truth.velocityAtSeating_mps).toBeCloseTo(0.097, 9);
    expect(truth.largestReverseVelocity_mps).toBe(0);
    expect(truth.peakAtValve_Pa).toBeCloseTo(60 * 9810, 6);
  });
});
