/**
 * The event folder: the contract between the recorder, which writes it once, and everyone who reads it.
 *
 *   <dataFolder>/events/2026/11/<id>/trace.bin      raw numbers (see trace.ts)
 *                                    event.json      EventHeader
 *                                    verdict-1.json  Verdict, later revisions beside it
 *
 * A folder is written as `<id>.tmp-<pid>`, synced, renamed. A name without `.tmp-` is whole.
 */
import type { RigConfig } from '../../config/rig.ts';
import type { Counters, GroupSpec } from '../../drivers/driver.ts';
import type { TripSourceName, WallAnchor } from '../recorder/messages.ts';

export interface EventHeader {
  readonly format: 'tripwave-event';
  readonly version: 1;
  readonly id: string;
  readonly software: string;
  readonly boot: string;
  readonly trip: {
    readonly source: TripSourceName;
    /** Monotonic s. */
    readonly time_s: number;
    readonly declared_s: number;
  };
  /** Record window on the monotonic clock, in s. */
  readonly window: { readonly from_s: number; readonly to_s: number };
  readonly closedBecause: 'settled' | 'after-seating' | 'no-seating' | 'next-trip' | 'truncated';
  readonly anchor: WallAnchor;
  /** The rig as configured at the time: channels, calibrations, legs, thresholds. */
  readonly config: RigConfig;
  readonly groups: readonly EventGroup[];
  readonly lineCounters: Readonly<Record<string, Counters>>;
}

/** One group of one line and how complete it is in the window. */
export interface EventGroup extends GroupSpec {
  readonly line: string;
  readonly scans: number;
  readonly scansLost: number;
}
