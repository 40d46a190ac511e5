/**
 * A trip of the plant as it is: what stood at the taps at every step, before any instrument saw it, and what really
 * happened. One course serves every rate and every set of instruments.
 */
import { HydraulicPlant } from '../../daemon/hydraulics/network/plant.ts';
import type { PlantSpec } from '../../daemon/hydraulics/network/plant-spec.ts';
import type { LegWatcher, WatchedLeg } from '../../daemon/hydraulics/network/plant-types.ts';
import { type LegTruth, TruthKeeper } from '../../daemon/virtual-rig/plant-truth.ts';

/** Window before the seating over which the column's own deceleration is taken, in s (definition of the equivalent velocity). */
const slowing_s = 0.01;

/** What the plant knows of one leg beyond its ordinary truth. */
export interface StoppedColumn {
  /**
   * The column's velocity that the valve stopped in one return of the wave: impulse of the seat's outlet face over the
   * tank within 2 L / a, over 2 density L. Over a sudden stop of a column at V it is V, whatever slowed the column before.
   * The largest such window after the reversal (or the seating) counts; null without either.
   */
  readonly stopped_mps: number | null;
  /** Mean deceleration of the column over the last 10 ms before the seating, from its momentum; null without one. */
  readonly slowing_mps2: number | null;
  /** As the grid has it. */
  readonly waveSpeed_mps: number;
}

/** One leg; columns have one entry a step, on the plant's clock. */
export interface LegCourse {
  readonly outlet_Pa: Float64Array;
  readonly inlet_Pa: Float64Array;
  readonly meter_mps: Float64Array;
  readonly truth: LegTruth;
  readonly column: StoppedColumn;
}

export interface Course {
  readonly spec: PlantSpec;
  readonly dt_s: number;
  /** Entry k of every column is the state at (k + 1) dt. */
  readonly tank_Pa: Float64Array;
  readonly legs: readonly LegCourse[];
  readonly trip_s: number;
}

/** Follows one leg's momentum beside its ordinary truth. */
class ColumnKeeper implements LegWatcher {
  readonly keeper: TruthKeeper;
  readonly waveSpeed_mps: number;
  readonly #leg: WatchedLeg;
  /** One entry a step since the trip: face over tank in Pa, mean velocity of the column in m/s. */
  readonly #push_Pa: number[] = [];
  readonly #mean_mps: number[] = [];
  #first_s = 0;
  #hasBegun = false;

  constructor(leg: WatchedLeg) {
    this.#leg = leg;
    this.keeper = new TruthKeeper(leg);
    this.waveSpeed_mps = leg.downstream.waveSpeed_mps;
  }

  begin(time_s: number): void {
    this.keeper.begin(time_s);
    this.#first_s = time_s;
    this.#hasBegun = true;
  }

  end(): void {
    this.keeper.end();
  }

  advance(time_s: number, outletTap_Pa: number, tank_Pa: number): void {
    this.keeper.advance(time_s, outletTap_Pa, tank_Pa);
    if (!this.#hasBegun) return;
    const { downstream, weight_Npm3 } = this.#leg;
    this.#push_Pa.push(downstream.head_m[0] * weight_Npm3 - tank_Pa);
    this.#mean_mps.push(downstream.meanFlow_m3ps() / downstream.area_m2);
  }

  column(density_kgpm3: number): StoppedColumn {
    const { truth } = this.keeper;
    const { dt_s, downstream } = this.#leg;
    const { waveSpeed_mps } = this;
    const from_s = Math.min(
      truth?.reversal_s ?? Number.POSITIVE_INFINITY,
      truth?.seating_s ?? Number.POSITIVE_INFINITY,
    );
    if (truth === null || !Number.isFinite(from_s))
      return { stopped_mps: null, slowing_mps2: null, waveSpeed_mps };
    const size = 2 * downstream.cells;
    const push = this.#push_Pa;
    const first = Math.max(0, Math.floor((from_s - this.#first_s) / dt_s));
    let sum = 0;
    let most = Number.NEGATIVE_INFINITY;
    for (let k = first; k < push.length; k++) {
      sum += push[k];
      if (k - first >= size) sum -= push[k - size];
      if (k - first >= size - 1) most = Math.max(most, sum / size);
    }
    const stopped_mps = Math.max(0, most / (density_kgpm3 * waveSpeed_mps));
    if (truth.seating_s === null) return { stopped_mps, slowing_mps2: null, waveSpeed_mps };
    const last = Math.max(1, Math.floor((truth.seating_s - this.#first_s) / dt_s) - 1);
    const before = Math.max(0, last - Math.round(slowing_s / dt_s));
    const slowing_mps2 = (this.#mean_mps[before] - this.#mean_mps[last]) / ((last - before) * dt_s);
    return { stopped_mps, slowing_mps2, waveSpeed_mps };
  }
}

/**
 * Starts the pumps, lets the tank fill until its switch trips them (20 s at most), and goes on for `after_s`. Null when there
 * is no trip, or a leg does not flow at it: such a rig is none.
 */
export function playTrip(spec: PlantSpec, after_s = 3.5): Course | null {
  const keepers: ColumnKeeper[] = [];
  const plant = new HydraulicPlant(spec, (leg) => {
    const keeper = new ColumnKeeper(leg);
    keepers.push(keeper);
    return keeper;
  });
  for (const pump of spec.pumps.keys()) plant.startPump(pump);
  const tank: number[] = [];
  const legs = spec.legs.map(() => ({
    outlet: [] as number[],
    inlet: [] as number[],
    meter: [] as number[],
  }));
  let trip_s = Number.POSITIVE_INFINITY;
  while (plant.time_s < trip_s + after_s) {
    plant.step();
    if (!plant.hasDrive && trip_s === Number.POSITIVE_INFINITY) trip_s = plant.time_s;
    if (trip_s === Number.POSITIVE_INFINITY && plant.time_s > 20) return null;
    tank.push(plant.tank_Pa);
    for (const [i, { outlet, inlet, meter }] of legs.entries()) {
      const state = plant.legs[i];
      outlet.push(state.outlet_Pa);
      inlet.push(state.inlet_Pa);
      meter.push(state.velocity_mps);
    }
  }
  const courses: LegCourse[] = [];
  for (const [i, { outlet, inlet, meter }] of legs.entries()) {
    const { truth } = keepers[i].keeper;
    if (truth === null) return null;
    courses.push({
      outlet_Pa: Float64Array.from(outlet),
      inlet_Pa: Float64Array.from(inlet),
      meter_mps: Float64Array.from(meter),
      truth,
      column: keepers[i].column(spec.liquid.density_kgpm3),
    });
  }
  return { spec, dt_s: plant.dt_s, tank_Pa: Float64Array.from(tank), legs: courses, trip_s };
}
