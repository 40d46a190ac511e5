/**
 * What the server sends to a browser. The dashboard imports the types of this file and nothing else of the house.
 *
 * WebSocket `/api/live`: text messages are `LiveMessage` JSON; binary messages are summaries:
 *   float64 sequence | float64 time_s | float64 period_s | float64 droppedBefore | float32 x 4 per channel (min, max, last, mean)
 * little-endian, channels in the order of `RigView.channels`, NaN where the period held no sample.
 */
import type { SinkView } from '../publish/sink-view.ts';
import type { ChannelStatus, LineStatus, RigPhase } from '../recorder/messages.ts';
import type { Rebuilt } from '../store/event-folder.ts';
import type { EventRow } from '../store/event-index.ts';
import type { RecorderGap } from '../store/gap-ledger.ts';

export type {
  BudgetPart,
  Flag,
  LegResults,
  LegVerdict,
  Measured,
  Result,
  SeverityClass,
  Verdict,
  Withheld,
} from '../analysis/verdict.ts';
export type { SinkView } from '../publish/sink-view.ts';
export type { ChannelStatus, LineBudget, LineStatus, RigPhase } from '../recorder/messages.ts';
export type { EventRow } from '../store/event-index.ts';
export type { LegDay as LegDayView } from '../trends/leg-days.ts';
export type { TrendRow, TrendView } from '../trends/trends.ts';
export type { WaveSpeedDay, WaveSpeedView } from '../trends/wave-speed-chart.ts';

export interface ChannelView {
  readonly id: string;
  readonly name: string;
  readonly quantity: string;
  /** SI unit of every number on the wire. */
  readonly unit: string;
  readonly displayUnit: string;
  readonly leg: string | null;
  readonly role:
    | 'outlet'
    | 'inlet'
    | 'mid'
    | 'meter'
    | 'position'
    | 'tank'
    | 'contact'
    | 'pressure-switch'
    | 'other';
  readonly range: readonly [number, number];
}

/** The arithmetic of a peak's capture: a plateau of 2 (L - x)/a between step and echo must hold enough samples. */
export interface SamplingView {
  readonly rate_Hz: number;
  /** Eight samples on the plateau: fewer, and a peak is indicative only. */
  readonly needed_Hz: number;
  /** Twenty samples on the plateau. */
  readonly recommended_Hz: number;
  readonly plateau_s: number;
  /** Samples on the plateau at `rate_Hz`. */
  readonly samples: number;
  /** Response time of sensor and filter. */
  readonly responseTime_s: number;
}

export interface LegView {
  readonly id: string;
  readonly name: string;
  readonly bore_m: number;
  readonly length_m: number;
  readonly waveSpeed_mps: number;
  /** Half-width of its 95 % interval. */
  readonly waveSpeedHalfWidth_mps: number;
  /** Effective over geometric length for the column's inertia. */
  readonly inertiaRatio: number;
  /** Can the outlet channel show a peak? Null when its rate stands only in the recording. */
  readonly sampling: SamplingView | null;
  readonly rating_Pa: number | null;
  readonly valve: {
    readonly id: string;
    readonly type: string;
    readonly size: string;
    readonly settings: string;
  };
}

/** GET /api/rig */
export interface RigView {
  readonly name: string;
  readonly place: string;
  readonly software: string;
  readonly channels: readonly ChannelView[];
  readonly legs: readonly LegView[];
  readonly tripSetPoint_Pa: number | null;
  readonly density_kgpm3: number;
  readonly severity: { readonly version: string; readonly mild_mps: number; readonly severe_mps: number };
  /** Wall clock ms at monotonic s. */
  readonly anchor: { readonly time_s: number; readonly wall_ms: number };
}

export interface Trouble {
  /** The same for as long as it stands. */
  readonly key: string;
  readonly since_ms: number;
  readonly what: string;
  readonly remedy: string;
}

export interface StatusView {
  /** `analysing`: the record is closed, its verdict is being made. */
  readonly phase: RigPhase | 'analysing' | 'recorder-gone';
  readonly tripIn_s: number | null;
  readonly lines: readonly LineStatus[];
  readonly counters: Readonly<Record<string, number>>;
  /** The address that other machines reach though there are no users; absent on this machine's own. Every page says it. */
  readonly openNetwork?: string;
  /** What is wrong now, oldest first, each with its remedy. */
  readonly troubles: readonly Trouble[];
  /** Receivers outside; absent when nothing is published. GET /api/sinks gives `{sinks: SinkView[]}`. */
  readonly sinks?: readonly SinkView[];
  /** The newest times without a recorder and lost trips, oldest first; absent when there is none. */
  readonly gaps?: readonly RecorderGap[];
  /** Instruments with a current loop or a calibration, by NE 107 class; absent when there is none. */
  readonly channels?: readonly ChannelStatus[];
}

/** GET /api/events/:id */
export interface EventView extends EventRow {
  /** Monotonic trip instant of the verdict, in s; times of `TraceView` are relative to it. */
  readonly trip_s: number;
  readonly window: { readonly from_s: number; readonly to_s: number };
  /** Present when the event was made from the disk ring, because the recorder had died; what it lacks. */
  readonly rebuilt?: Rebuilt;
  readonly rig: RigView;
}

/**
 * GET /api/events/:id/trace?channels=a,b&from=<s>&to=<s>&points=<n>, times in s after the trip.
 * At most `points` slices a channel; where there are fewer samples than slices they come as they are (min = max). In each gap,
 * where samples are missing, stands one more point of nulls.
 */
export interface TraceView {
  readonly channels: readonly {
    readonly id: string;
    readonly time_s: readonly number[];
    readonly min: readonly (number | null)[];
    readonly max: readonly (number | null)[];
  }[];
}

export type LiveMessage =
  | { readonly kind: 'status'; readonly status: StatusView }
  | { readonly kind: 'trip'; readonly event: string; readonly source: string; readonly time_s: number }
  | { readonly kind: 'event'; readonly event: EventRow };
