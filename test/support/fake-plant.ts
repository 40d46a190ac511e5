/** A plant whose states a test sets by hand; nothing flows in it. */
import type { PlantSpec } from '../../daemon/hydraulics/network/plant-spec.ts';
import type { LegState } from '../../daemon/hydraulics/network/plant-types.ts';
import type { TruthfulPlant } from '../../daemon/virtual-rig/observed-plant.ts';
import type { LegTruth } from '../../daemon/virtual-rig/plant-truth.ts';

export class FakePlant implements TruthfulPlant {
  readonly spec: PlantSpec;
  readonly dt_s: number;
  time_s = 0;
  readonly legs: LegState[];
  tank_Pa = 3e5;
  tankLevel_m = 1;
  waterTemperature_K = 291.15;
  pumpSpeed_ratio: number[];
  hasDrive = false;
  isSwitchTripped = false;
  truths: LegTruth[] = [];
  /** What was done to the plant, in order. */
  readonly calls: string[] = [];
  /** Called before the clock moves on. */
  onStep: (plant: FakePlant) => void = () => undefined;
  #steps = 0;

  constructor(spec: PlantSpec) {
    this.spec = spec;
    this.dt_s = spec.dt_s;
    this.legs = spec.legs.map(() => ({
      outlet_Pa: 0,
      inlet_Pa: 0,
      mid_Pa: 0,
      velocity_mps: 0,
      valveVelocity_mps: 0,
      opening_ratio: 0,
    }));
    this.pumpSpeed_ratio = spec.pumps.map(() => 0);
  }

  step(): void {
    this.#steps++;
    this.time_s = this.#steps * this.dt_s;
    this.onStep(this);
  }

  startPump(pump: number): boolean {
    this.calls.push(`start ${pump}`);
    if (this.isSwitchTripped) return false;
    this.hasDrive = true;
    return true;
  }

  trip(): void {
    this.calls.push('trip');
    this.hasDrive = false;
  }

  setIsolation(leg: number, opening_ratio: number): void {
    this.calls.push(`isolation ${leg} ${opening_ratio}`);
  }

  setDrain(flow_m3ps: number): void {
    this.calls.push(`drain ${flow_m3ps}`);
  }

  setTank(pressure_Pa: number): void {
    this.tank_Pa = pressure_Pa;
  }
}
