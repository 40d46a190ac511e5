/**
 * What the plant is made of. SI; heads and levels over the pipe axis, which is the datum; pressures gauge.
 * A rig file is turned into this; the plant takes it as it is, after `plant-check.ts`.
 */
import type { PipeSpec, PumpSpec, TankSpec, ValveSpec } from '../parts.ts';
import type { RunDetails } from '../pipe-run.ts';

/** The vessel the pumps draw from; its level stays. */
export interface SuctionSpec {
  readonly level_m: number;
  /** Entry loss of every suction pipe, in velocity heads. */
  readonly entryLoss_ratio: number;
  /** Share of a wave's impedance that this end takes up (0 = perfect reflection); sets ring-down only. */
  readonly absorption_ratio: number;
}

/** Distances of the taps from the valve seat along the pipe; `inlet_m` upstream, the others downstream. */
export interface TapSpec {
  readonly outlet_m: number;
  readonly inlet_m: number;
  readonly mid_m: number;
  readonly meter_m: number;
}

export interface LegSpec {
  readonly id: string;
  /** Header to valve. */
  readonly upstream: PipeSpec;
  /** Valve to tank. */
  readonly downstream: PipeSpec;
  /** What makes it more than one straight level pipe; absent: it is one. */
  readonly details?: RunDetails;
  /** Loss of the isolation valve when fully open, in velocity heads; it grows with 1 / opening^2. */
  readonly throttle_ratio: number;
  /** Loss where the leg enters the tank, in velocity heads. */
  readonly exitLoss_ratio: number;
  readonly taps: TapSpec;
  readonly valve: ValveSpec;
}

/** Trips the pumps from the tank's pressure. */
export interface PressureSwitchSpec {
  readonly setPoint_Pa: number;
  /** Resets at set point - hysteresis. */
  readonly hysteresis_Pa: number;
  /** Set point reached -> motor loses drive. */
  readonly contactorDelay_s: number;
}

export interface PlantSpec {
  /** Time step. 0.2-0.25 ms; the cell count of every pipe follows from it. */
  readonly dt_s: number;
  readonly gravity_mps2: number;
  readonly liquid: {
    readonly density_kgpm3: number;
    readonly vapourPressure_PaAbs: number;
    readonly temperature_K: number;
  };
  readonly atmosphere_PaAbs: number;
  readonly suction: SuctionSpec;
  /** At least one. All deliver into one header. */
  readonly pumps: readonly PumpSpec[];
  /** At least one. All draw from the header and end in the tank. */
  readonly legs: readonly LegSpec[];
  readonly tank: TankSpec;
  /** Null: only `trip()` trips. */
  readonly pressureSwitch: PressureSwitchSpec | null;
}
