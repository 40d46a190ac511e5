/** The hydraulic plant as its instrument faces see it. SI; pressures gauge; velocity positive from pump to tank. */
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

/** What really happened in one leg after a loss of drive; instants on the plant's clock, null until it happens. */
export interface LegTruth {
  readonly leg: string;
  readonly trip_s: number;
  approachVelocity_mps: number;
  /** Flow through the valve crosses zero. Null also when the disc seats before that. */
  reversal_s: number | null;
  /** First contact of disc and seat. */
  seating_s: number | null;
  /** Signed: negative when the water runs back. */
  velocityAtSeating_mps: number | null;
  /** Magnitude, >= 0, of the most negative velocity at the valve up to seating. */
  largestReverseVelocity_mps: number;
  /**
   * Mean over 20 ms centred on the reversal of the leg's mean velocity, cut off at seating; positive while slowing.
   * Null when the disc seats first.
   */
  decelerationAtReversal_mps2: number | null;
  /** Largest pressure at the valve's outlet face from reversal or seating on, whichever is first. */
  peakAtValve_Pa: number;
  /** When that was. Long after seating: a later slam was the worse one. */
  peak_s: number | null;
  /** Largest pressure at the outlet tap, which a perfect sensor there would read. */
  peakAtTap_Pa: number;
  /** Smallest pressure at the valve's outlet face since the trip. */
  minimumAtValve_Pa: number;
  /** Tank pressure at the pipe axis 50 ms after seating. */
  staticAfter_Pa: number | null;
  seatContacts: number;
  /** Whether a vapour cavity stood at a face of the valve. */
  hasCavitated: boolean;
}

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
  /** Loss of drive of every motor at this instant; begins a truth for every leg that flows. */
  trip(): void;
  /** Isolation valve of a leg, as an opening 0..1. */
  setIsolation(leg: number, opening_ratio: number): void;
  /** Flow let out of the tank, m3/s. */
  setDrain(flow_m3ps: number): void;
  /** Compressed-air make-up is not modelled; the tank can be put back to a state between runs. */
  setTank(pressure_Pa: number, airVolume_m3: number): void;
  /** Truths of the newest trip, one a leg that flowed. */
  readonly truths: readonly LegTruth[];
}
