/** The resolved configuration: all that the other rooms use of a rig. SI, defaults filled in, frozen. */
import type { LineSpec } from '../drivers/line-spec.ts';
import type { DiskConfig } from './disk.ts';
import type { PublishConfig } from './publish.ts';
import type { Definitions } from './schema-definitions.ts';

export type QuantityKind =
  | 'pressure'
  | 'velocity'
  | 'flow'
  | 'level'
  | 'temperature'
  | 'speed'
  | 'position'
  | 'state';

/** One dated calibration of a channel, as written in its rig file. Values in SI, pressure gauge. */
export interface CalibrationEntry {
  /** It holds from this instant on, in ms since 1970. */
  readonly from_ms: number;
  readonly kind: 'zero' | 'two-point' | 'multi-point';
  /** What the reference had, and what the channel showed with everything that held until then. */
  readonly points: readonly { readonly reference: number; readonly reading: number }[];
  /** Standard deviation of one point; null: to be found from the residuals. */
  readonly repeatability: number | null;
  /** Standard uncertainty that all references share (the certificate's); null when it was not given. */
  readonly referenceUncertainty: number | null;
  readonly certificate: string;
  readonly due_ms: number | null;
  readonly by: string;
  readonly note: string;
  /** JSON of everything in the file that decides the numbers, as it was written: distinguishes an edited entry from the old one. */
  readonly written: string;
}

/** The calibration that a channel's `scale`, `offset` and `uncertainty` include: corrected = offset + scale * shown. */
export interface AppliedCalibration {
  /** 1 is the oldest entry of the channel. */
  readonly version: number;
  readonly kind: CalibrationEntry['kind'];
  readonly from_ms: number;
  /** Since when the one before it held; null for the first, absent in events of older software. */
  readonly previousFrom_ms?: number | null;
  readonly due_ms: number | null;
  readonly certificate: string;
  /** Who did it, and anything else that the rig file says of it; absent in events of older software. */
  readonly by?: string;
  readonly note?: string;
  /** Of this calibration alone; `shown` is what the one before gave, or the scaling of the rig file. */
  readonly correction: { readonly offset: number; readonly scale: number };
  /**
   * Var(offset), cov(offset, scale), var(scale) of `correction`, without the uncertainty that the references share. For
   * results in which both matter (JCGM 100:2008, H.3); `ChannelConfig.uncertainty` bounds it. Null when unknown.
   */
  readonly covariance: readonly [number, number, number] | null;
  /** Standard deviation of one point about the line; null when unknown. */
  readonly deviation: number | null;
  /** Degrees of freedom that `deviation` rests on; null when it was given, not found. */
  readonly degrees: number | null;
  readonly referenceUncertainty: number | null;
  /** Whether its due date had passed when it was applied. */
  readonly status: 'good' | 'overdue';
}

/** One measured quantity. Value in SI = raw * scale + offset. */
export interface ChannelConfig {
  readonly id: string;
  readonly name: string;
  readonly line: string;
  readonly quantity: QuantityKind;
  /** SI unit of the calibrated value: Pa, m/s, m3/s, m, K, rad/s, 1 (position ratio, state 0/1). Pressure is gauge. */
  readonly unit: string;
  /** Unit the person wrote and wants to see, e.g. `bar`. */
  readonly displayUnit: string;
  readonly scale: number;
  readonly offset: number;
  /** Raw counts at the ends of the converter; a sample there is clipped. Null when unknown. */
  readonly rawRange: readonly [number, number] | null;
  /** Measuring range in SI. */
  readonly range: readonly [number, number];
  /** First-order response time of sensor and filter, in s; with the half-width of its 95 % interval. */
  readonly responseTime_s: number;
  readonly responseTimeHalfWidth_s: number;
  /** The file gives none: it is that of the kind of instrument. */
  readonly isResponseTimeAssumed?: true;
  /** Dead time of the device (older than its time stamp says), in s: interval. */
  readonly delay_s: readonly [number, number];
  /** Standard uncertainty of the calibration, as a fixed part in SI and a part relative to the reading. */
  readonly uncertainty: { readonly absolute: number; readonly relative: number };
  /** Calibrations of the rig file, oldest first, none of them applied. Never together with `calibration`. */
  readonly calibrations?: readonly CalibrationEntry[];
  /** What has been applied; absent on a channel that was never calibrated. */
  readonly calibration?: AppliedCalibration;
  /** 4-20 mA: current in A = raw * scale_A + offset_A. */
  readonly currentLoop?: { readonly scale_A: number; readonly offset_A: number };
}

export interface TapConfig {
  readonly channel: string;
  /** Distance from the valve seat along the pipe, in m (positive both ways; `inlet` lies upstream). */
  readonly distance_m: number;
}

export interface ValveConfig {
  readonly id: string;
  /** Trade name of the kind: swing, tilting-disc, dual-plate, axial, ball, other. */
  readonly type: string;
  readonly size: string;
  readonly serial: string;
  /** Settings in words: counterweight position, dashpot, spring. */
  readonly settings: string;
  readonly rating_Pa: number | null;
}

export interface LegConfig {
  readonly id: string;
  readonly name: string;
  readonly bore_m: number;
  /** Half-width of its 95 % interval; absent in events of older software: taken as exact. */
  readonly boreHalfWidth_m?: number;
  readonly wall_m: number;
  readonly material: { readonly name: string; readonly modulus_Pa: number; readonly poisson: number };
  readonly restraint: 'upstream-anchored' | 'anchored' | 'expansion-joints';
  /** Valve seat to the reflecting end (tank), in m, and the half-width of its 95 % interval. */
  readonly length_m: number;
  readonly lengthHalfWidth_m: number;
  /** Pump to valve seat, in m. */
  readonly inletLength_m: number;
  /** Effective over geometric length for the column's inertia (>= 1), and half-width of its 95 % interval. */
  readonly inertiaRatio: number;
  readonly inertiaRatioHalfWidth: number;
  /** Wave speed used for velocities, in m/s, half-width of its 95 % interval, and where it comes from. */
  readonly waveSpeed_mps: number;
  readonly waveSpeedHalfWidth_mps: number;
  readonly waveSpeedFrom: 'given' | 'formula';
  readonly rating_Pa: number | null;
  readonly valve: ValveConfig;
  readonly outlet: TapConfig;
  readonly inlet: TapConfig | null;
  readonly mid: TapConfig | null;
  /** Channel of velocity (or flow) in this leg. */
  readonly meter: TapConfig | null;
  /** Channel of the disc position, ratio 0 = shut, 1 = open. */
  readonly position: string | null;
}

/** A digital source of the trip. */
export interface ContactSource {
  readonly channel: string;
  /** Level of the channel while the pump runs (contact) or the switch is not tripped (pressure switch). */
  readonly runningLevel: 0 | 1;
  /** The true loss of drive lies this much before the edge, interval in s. */
  readonly delay_s: readonly [number, number];
}

/** Air of a closed tank: `volume_m3` at the gauge pressure `at_Pa`; p V^n stays, p absolute. Half-widths are of 95 %. */
export interface TankAir {
  readonly volume_m3: number;
  readonly halfWidth_m3: number;
  readonly at_Pa: number;
  readonly polytropic_ratio: number;
  readonly polytropicHalfWidth_ratio: number;
}

/** Tank channel, gauge pressure at which the switch trips (the limit line and the countdown), air where it is known. */
export interface TankConfig {
  readonly channel: string;
  readonly setPoint_Pa: number | null;
  readonly air?: TankAir;
}

export interface TripConfig {
  readonly contact: ContactSource | null;
  readonly pressureSwitch: ContactSource | null;
  /** Whether a trip may be declared from pressure alone (needed where there is no contact). */
  readonly detected: boolean;
  readonly tank: TankConfig | null;
}

export interface WindowConfig {
  /** Record kept before the trip, in s. */
  readonly before_s: number;
  /** Closes so long after seating at the latest, in s. */
  readonly afterSeating_s: number;
  /** Closes so long after a trip without seating, in s. */
  readonly withoutSeating_s: number;
  /** History ring in memory, in s. */
  readonly history_s: number;
}

export interface SeverityRule {
  /** Name and version printed with every class. */
  readonly version: string;
  readonly mild_mps: number;
  readonly severe_mps: number;
}

export interface LiquidConfig {
  readonly name: string;
  readonly temperature_K: number;
  /** At `temperature_K`; from the water formulas unless given. */
  readonly density_kgpm3: number;
  readonly densityHalfWidth_kgpm3: number;
  readonly bulkModulus_Pa: number;
  /** Absolute. */
  readonly vapourPressure_PaAbs: number;
}

export interface RigConfig {
  readonly name: string;
  readonly place: string;
  readonly liquid: LiquidConfig;
  readonly atmosphere_PaAbs: number;
  readonly legs: readonly LegConfig[];
  readonly channels: readonly ChannelConfig[];
  readonly lines: readonly LineSpec[];
  readonly trip: TripConfig;
  readonly windows: WindowConfig;
  readonly severity: SeverityRule;
  /** Absent in events of older software: the usual ones. */
  readonly definitions?: Definitions;
  /** Folder for events, ring and index, relative to the working directory. */
  readonly dataFolder: string;
  /** What is kept on disk; absent: the usual. */
  readonly disk?: DiskConfig;
  readonly server: ServerConfig;
  /** Absent when nothing leaves this machine. Not kept in events. */
  readonly publish?: PublishConfig;
}

export interface ServerConfig {
  readonly host: string;
  readonly port: number;
  /** Other machines may be let in though there are no users. */
  readonly isOpenNetwork?: boolean;
}

/** Whether an address is this machine itself, so that no other can reach it. */
export function isLoopbackHost(host: string): boolean {
  return host === 'localhost' || host === '::1' || /^127(\.\d{1,3}){3}$/.test(host);
}
