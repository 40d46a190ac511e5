/** What the recorder and the server say to each other over the process channel. Structured clone; no class instances. */

import type { RigConfig } from '../../config/rig.ts';
import type { Counters, LinkState, Readings, SilentDevice } from '../../drivers/driver.ts';
import type { WallAnchor } from '../clock.ts';
import type { StatusClass } from '../instruments/current-loop.ts';
import type { TripSourceName } from '../store/event-folder.ts';
import type { RecorderGap } from '../store/gap-ledger.ts';

/** min, max, last, mean of each channel over one summary period, in SI, in the order of `RigConfig.channels`. */
export interface Summary {
  readonly kind: 'summary';
  readonly sequence: number;
  /** Start of the period on the monotonic clock, in s. */
  readonly time_s: number;
  readonly period_s: number;
  /** 4 numbers a channel: min, max, last, mean. NaN where the period held no sample (becomes null at the edge). */
  readonly values: Float64Array;
  /** Samples in the numbers, per channel. */
  readonly counts: Uint32Array;
  /** Bits of `quality` that any scan had, per channel. */
  readonly flags: Uint8Array;
  /** Summaries dropped since the previous one for want of credit. */
  readonly droppedBefore: number;
}

export interface LineStatus {
  readonly line: string;
  readonly driver: string;
  readonly link: LinkState;
  readonly counters: Counters;
  /** Latest numbers of the driver, such as the drift of a converter's clock (`drift_ppm`); absent when it has none. */
  readonly readings?: Readings;
  /** Devices that do not answer while others of the line may; absent when there is none. */
  readonly silentDevices?: readonly SilentDevice[];
  /** Absent for a recording. */
  readonly budget?: LineBudget;
}

/** Samples per second of a line, all its channels together. */
export interface LineBudget {
  /** What the wire could carry of this plan by its speed, before the devices' own time; null where that is not known. */
  readonly carried_Hz: number | null;
  readonly asked_Hz: number;
  /** Over the last `span_s`; null in the first second. */
  readonly reached_Hz: number | null;
  /** Known to be lost in the last `span_s`. */
  readonly samplesLost: number;
  readonly span_s: number;
}

export type RigPhase = 'waiting' | 'filling' | 'running' | 'tripped' | 'recording' | 'fault';

/** Latest state; sent at 2 Hz and on change, only with credit. */
export interface StatusMessage {
  readonly kind: 'status';
  readonly time_s: number;
  readonly phase: RigPhase;
  /** Estimated seconds until the tank reaches the trip; null when it is not rising. */
  readonly tripIn_s: number | null;
  readonly lines: readonly LineStatus[];
  readonly counters: Counters;
  /** The data folder; absent before the first look. */
  readonly disk?: DiskStatus;
  /** Channels with a current loop or a calibration; absent when there is none. */
  readonly channels?: readonly ChannelStatus[];
  /** Why no page is served, in sentences; absent while one is, or before the server has said. */
  readonly withoutPage?: string;
  /** The newest times without a recorder and lost trips, oldest first; absent when there is none. */
  readonly gaps?: readonly RecorderGap[];
}

/** What the disk under the data folder does. */
export interface DiskStatus {
  readonly free_bytes: number;
  /** `low`: the ring is being shortened. `refusing`: nothing is stored; live view and detection go on. */
  readonly state: 'good' | 'low' | 'refusing';
  /** Why the disk refuses; empty otherwise. */
  readonly why: string;
  /** Closed events that wait in memory. */
  readonly eventsWaiting: number;
}

/** State of an instrument by NE 107. It says nothing of whether the plant is safe. */
export interface ChannelStatus {
  readonly channel: string;
  readonly class: StatusClass;
  /** What is the matter, for a technician; empty when there is nothing to say. */
  readonly text: string;
  /** Absent on a channel that was never calibrated. */
  readonly calibration?: CalibrationState;
}

/** The calibration that a channel reads by. */
export interface CalibrationState {
  /** 1 is the oldest of the channel. */
  readonly version: number;
  readonly from_ms: number;
  readonly due_ms: number | null;
  /** What it found wrong under the one before, where that is largest in the range, in SI; null for the first. */
  readonly drift: { readonly value: number; readonly days: number; readonly isLarge: boolean } | null;
}

export interface HelloMessage {
  readonly kind: 'hello';
  readonly config: RigConfig;
  readonly software: string;
  /** Identifies this run of the recorder. */
  readonly boot: string;
  /** Wall clock at monotonic `time_s`: the only place where the two meet. */
  readonly anchor: WallAnchor;
}

/** A trip was declared; its event is still open. */
export interface TripMessage {
  readonly kind: 'trip';
  readonly event: string;
  readonly source: TripSourceName;
  readonly time_s: number;
  readonly declared_s: number;
}

/** A whole folder lies under its final name. A hint only: the server also finds folders by itself. */
export interface EventClosedMessage {
  readonly kind: 'event-closed';
  readonly event: string;
  readonly folder: string;
  readonly closed_s: number;
}

export type ToServer = HelloMessage | Summary | StatusMessage | TripMessage | EventClosedMessage;

export interface ReadyMessage {
  readonly kind: 'ready';
  readonly host: string;
  readonly port: number;
}
/** The pages cannot be served for now, and why, in sentences; everything else goes on and it is tried again. `ready` ends it. */
export interface UnboundMessage {
  readonly kind: 'unbound';
  readonly host: string;
  readonly port: number;
  readonly why: string;
}
/** The server has handled `count` live messages and can take as many more. */
export interface CreditMessage {
  readonly kind: 'credit';
  readonly count: number;
}
/** A verdict was written; used by `demo` and `replay` to print it. */
export interface VerdictMessage {
  readonly kind: 'verdict';
  readonly event: string;
  readonly folder: string;
  readonly file: string;
}
export type ToRecorder = ReadyMessage | UnboundMessage | CreditMessage | VerdictMessage;
