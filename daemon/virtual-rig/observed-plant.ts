/** The plant of the virtual rig: the hydraulic network with a keeper of the truth at each leg. */
import { HydraulicPlant } from '../hydraulics/network/plant.ts';
import type { PlantSpec } from '../hydraulics/network/plant-spec.ts';
import type { Plant } from '../hydraulics/network/plant-types.ts';
import { type LegTruth, TruthKeeper } from './plant-truth.ts';

/** A plant that knows what really happened in it. */
export interface TruthfulPlant extends Plant {
  /** Truths of the newest trip, one a leg that flowed. */
  readonly truths: readonly LegTruth[];
}

export class ObservedPlant extends HydraulicPlant implements TruthfulPlant {
  readonly #keepers: readonly TruthKeeper[];

  /** Throws `DataError` on a bad spec. */
  constructor(spec: PlantSpec) {
    const keepers: TruthKeeper[] = [];
    super(spec, (leg) => {
      const keeper = new TruthKeeper(leg);
      keepers.push(keeper);
      return keeper;
    });
    this.#keepers = keepers;
  }

  get truths(): readonly LegTruth[] {
    return this.#keepers.flatMap(({ truth }) => (truth === null ? [] : [truth]));
  }
}
