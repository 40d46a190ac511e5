/** Plays one trip of a virtual rig and samples its sensors: what they showed, and what really happened. */
import { Cycle, type TripRecord } from '../../../daemon/virtual-rig/cycle.ts';
import { ObservedPlant } from '../../../daemon/virtual-rig/observed-plant.ts';
import type { LegTruth } from '../../../daemon/virtual-rig/plant-truth.ts';
import { Random } from '../../../daemon/virtual-rig/random.ts';
import type { RigSpec } from '../../../daemon/virtual-rig/rig-spec.ts';
import { Sensor } from '../../../daemon/virtual-rig/sensors.ts';

/** Samples of every sensor by id, on the plant's clock. */
export interface Played {
  readonly time_s: Float64Array;
  readonly readings: Readonly<Record<string, Float64Array>>;
  /** 1 while the run contact is closed. */
  readonly contact: Uint8Array;
  readonly truth: LegTruth;
  /** Mean pressure at the outlet tap over the last 10 ms before the first contact; NaN without one. */
  readonly beforeSeating_Pa: number;
  /** Mean velocity of the whole column then: the momentum that the valve stopped, over density and length. */
  readonly columnAtSeating_mps: number;
  /** Mean velocity at the shut valve from 2 to 3 s after seating, when the pump has run down; 0 for a tight one. */
  readonly leak_mps: number;
}

/** Recorded before the trip. */
const before_s = 1.5;
/** A rig that has not tripped by then never will. */
const longest_s = 90;

/** Throws when the rig does not trip or its leg does not flow then. `share` 0 to 1: phase of the sampling. */
export function playTrip(rig: RigSpec, rate_Hz: number, share: number): Played {
  const plant = new ObservedPlant(rig.plant);
  const sensors = rig.sensors.map((spec) => new Sensor(spec, plant, new Random(rig.seed, spec.id)));
  const reports: TripRecord[] = [];
  const cycle = new Cycle(plant, rig.cycle, new Random(rig.seed, 'cycle'), (record) => reports.push(record));
  const { dt_s } = plant;
  const samples = sensors.map((): number[] => []);
  const instants: number[] = [];
  const contact: number[] = [];
  const before = new LastSteps(Math.max(1, Math.round(0.01 / dt_s)));
  let columnAtSeating_mps = Number.NaN;
  let leak_mps = 0;
  let tripped_s = Number.POSITIVE_INFINITY;
  let next_s = share / rate_Hz;
  while (reports.length === 0) {
    if (plant.time_s > longest_s) throw new Error(`the rig did not trip within ${longest_s} s`);
    plant.step();
    cycle.follow();
    for (const sensor of sensors) sensor.follow();
    if (plant.isSwitchTripped && tripped_s === Number.POSITIVE_INFINITY) tripped_s = plant.time_s;
    const truth = plant.truths[0];
    if (truth !== undefined && truth.seating_s === null) {
      before.take(plant.legs[0].outlet_Pa);
      columnAtSeating_mps = plant.columnVelocity_mps(0);
    }
    const since_s = truth?.seating_s == null ? 0 : plant.time_s - truth.seating_s;
    if (since_s > 2 && since_s <= 3) leak_mps += plant.legs[0].valveVelocity_mps * dt_s;
    for (; next_s <= plant.time_s; next_s += 1 / rate_Hz) {
      const stepShare = 1 - (plant.time_s - next_s) / dt_s;
      instants.push(next_s);
      contact.push(cycle.runContact);
      for (const [k, sensor] of sensors.entries()) samples[k].push(sensor.read(next_s, stepShare));
    }
  }
  const first = instants.findIndex((instant_s) => instant_s >= tripped_s - before_s);
  const truth = reports[0].truths[0];
  if (truth === undefined) throw new Error('the leg did not flow at the trip');
  return {
    time_s: Float64Array.from(instants.slice(first)),
    readings: Object.fromEntries(
      sensors.map(({ spec }, k) => [spec.id, Float64Array.from(samples[k].slice(first))]),
    ),
    contact: Uint8Array.from(contact.slice(first)),
    truth,
    beforeSeating_Pa: truth.seating_s === null ? Number.NaN : before.mean,
    columnAtSeating_mps,
    leak_mps,
  };
}

/** Mean of the newest values. */
class LastSteps {
  private readonly kept: Float64Array;
  private count = 0;

  constructor(size: number) {
    this.kept = new Float64Array(size);
  }

  take(value: number): void {
    this.kept[this.count++ % this.kept.length] = value;
  }

  get mean(): number {
    const n = Math.min(this.count, this.kept.length);
    return this.kept.subarray(0, n).reduce((sum, value) => sum + value, 0) / n;
  }
}
