/** The hydraulic plant as its users see it. SI; pressures gauge; velocity positive from pump to tank. */
import type { CheckValve } from '../check-valve.ts';
import type { PlantSpec } from './plant-spec.ts';

/** Fields change in place at every step; read them, do not keep them. */
export interface LegState {
  outlet_Pa: number;
  inlet_Pa: number;
  mid_Pa: number;
  /** Mean velocity at the meter. */
  velocity_mps: number;
  /** Mean velocity at the valve seat. */
  valveVelocity_mps: number;
  /** 0 shut, 1 at the stop. */
  opening_ratio: number;
}

/** Somebody who follows one leg from a loss of drive on. The plant calls it and never reads what it keeps. */
export interface LegWatcher {
  /** Loss of drive at this instant of the plant's clock. */
  begin(time_s: number): void;
  /** Nothing more belongs to the newest trip. */
  end(): void;
  /** After every step; `time_s` is its end. */
  advance(time_s: number, outletTap_Pa: number, tank_Pa: number): void;
}

/** The column between valve and tank. */
export interface WatchedColumn {
  readonly area_m2: number;
  /** At the valve. */
  readonly waveSpeed_mps: number;
  /** Steps that a wave takes from end to end. */
  readonly cells: number;
  /** First entry: at the valve. */
  readonly head_m: Float64Array;
  meanFlow_m3ps(): number;
}

/** What a watcher may look at: the column behind the valve and the valve itself. */
export interface WatchedLeg {
  readonly id: string;
  readonly downstream: WatchedColumn;
  readonly valve: CheckValve;
  readonly dt_s: number;
  /** Density times gravity: pressure per metre of head. */
  readonly weight_Npm3: number;
}

/** Makes the watcher of a leg as the leg is built. */
export type WatchLeg = (leg: WatchedLeg) => LegWatcher;

export interface Plant {
  readonly spec: PlantSpec;
  readonly dt_s: number;
  /** Plant clock, in s since it was made. */
  readonly time_s: number;
  readonly legs: readonly LegState[];
  /** At the tank's pipe connection: air pressure and the water over it. */
  readonly tank_Pa: number;
  readonly tankLevel_m: number;
  readonly waterTemperature_K: number;
  /** Speed over rated speed, per pump. */
  readonly pumpSpeed_ratio: readonly number[];
  /** Whether any motor has drive. */
  readonly hasDrive: boolean;
  /** Whether the pressure switch stands tripped (set point reached, not yet below it by the hysteresis). */
  readonly isSwitchTripped: boolean;
  /** Advances one time step. */
  step(): void;
  /**
   * Gives a motor drive; opens its pump and isolates the pumps that stand still, as an operator would.
   * False, and nothing happens, while the pressure switch stands tripped.
   */
  startPump(pump: number): boolean;
  /** Loss of drive of every motor at this instant. */
  trip(): void;
  /** Isolation valve of a leg, as an opening 0..1. */
  setIsolation(leg: number, opening_ratio: number): void;
  /** Flow let out of the tank, m3/s. */
  setDrain(flow_m3ps: number): void;
  /** Compressed-air make-up is not modelled; the tank can be put back to a state between runs. */
  setTank(pressure_Pa: number, airVolume_m3: number): void;
}
