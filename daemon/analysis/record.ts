/** What the analysis reads: one event as arrays, and what was known of the rig then. Pure data, SI, no I/O. */
import type {
  ChannelConfig,
  LegConfig,
  LiquidConfig,
  SeverityRule,
  TankAir,
  TripConfig,
} from '../../config/rig.ts';
import type { Definitions } from '../../config/schema-definitions.ts';

/** One channel over the event. Time is in s on the record's own clock; samples ascend; gaps are simply absent. */
export interface Series {
  readonly channel: ChannelConfig;
  readonly time_s: Float64Array;
  /** Calibrated, SI; pressure is gauge. Bad samples keep their value. */
  readonly value: Float64Array;
  /** Bits of `drivers/driver.ts` quality, one a sample. */
  readonly quality: Uint8Array;
  /** Largest half-width of a time stamp, in s. */
  readonly halfWidth_s: number;
  /** Scans known to be lost inside the record. */
  readonly lost: number;
}

/** One leg with the series that belong to it. Only the outlet is needed. */
export interface LegRecord {
  readonly leg: LegConfig;
  readonly outlet: Series;
  readonly inlet: Series | null;
  readonly mid: Series | null;
  /** Velocity in m/s, positive from pump to tank (a flow channel is already divided by the bore area). */
  readonly meter: Series | null;
  /** Disc opening, 0 shut to 1 open. */
  readonly position: Series | null;
}

export interface EventRecord {
  readonly id: string;
  readonly legs: readonly LegRecord[];
  readonly tank: Series | null;
  /** Air in the tank, where it is known. */
  readonly tankAir?: TankAir | null;
  /** 0/1 series. */
  readonly contact: Series | null;
  readonly pressureSwitch: Series | null;
  readonly trip: TripConfig;
  readonly liquid: LiquidConfig;
  readonly atmosphere_PaAbs: number;
  readonly severity: SeverityRule;
  /** Absent: the usual ones. */
  readonly definitions?: Definitions;
}
