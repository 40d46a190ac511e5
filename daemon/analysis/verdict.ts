/** What the analysis says of one leg in one event. JSON as it stands: these names are the file and the API. */

import type { MetricName } from './metrics.ts';

/** A number with its unit, its 95 % interval (may be lopsided), how it was found and in which window (s after the trip). */
export interface Measured {
  readonly value: number;
  readonly unit: string;
  readonly low: number;
  readonly high: number;
  readonly method: string;
  readonly from_s: number | null;
  readonly to_s: number | null;
  /** Where the uncertainty comes from, largest share first; absent on an exact number and in verdicts of older software. */
  readonly budget?: readonly BudgetPart[];
}

/**
 * Sources of uncertainty. `noise`, `sampling` and `method` (what formula, window and shape leave open) are drawn anew for
 * each number; every other one is the same quantity in all numbers of the leg.
 */
export type BudgetSource =
  | 'noise'
  | 'sampling'
  | 'sensor-lag'
  | 'sensor-delay'
  | 'calibration-offset'
  | 'calibration-slope'
  | 'density'
  | 'wave-speed'
  | 'length'
  | 'tap-distance'
  | 'inertia'
  | 'contact-delay'
  | 'contact-sampling'
  | 'pressure-knee'
  | 'meter-noise'
  | 'meter-lag'
  | 'meter-zero'
  | 'meter-slope'
  | 'static-level'
  | 'column-motion'
  | 'method';

/** One source: its share of the variance (0 to 1) and what +1 standard uncertainty of it does, in the number's unit. */
export interface BudgetPart {
  readonly source: BudgetSource;
  readonly share: number;
  readonly effect: number;
}

/** A number that would mislead, or cannot be had. */
export interface Withheld {
  readonly value: null;
  readonly reason: string;
}

export type Result = Measured | Withheld;

/** Codes never change their meaning. `withholds` names the results that this flag made meaningless. */
export interface Flag {
  readonly code:
    | 'sampling-too-slow'
    | 'sampling-marginal'
    | 'repeated-values'
    | 'sensor-slow'
    | 'clipped'
    | 'meter-lag-dominates'
    | 'samples-lost'
    | 'softened-closure'
    | 'softened-unknown'
    | 'cavitation-suspected'
    | 'taps-disagree'
    | 'taps-swapped'
    | 'instruments-misaligned'
    | 'tapping-line-rings'
    | 'no-reversal'
    | 'did-not-close'
    | 'no-measurable-slam'
    | 'multiple-impacts'
    | 'spikes-removed'
    | 'closed-before-reversal'
    | 'wave-speed-differs'
    | 'momentum-imbalance'
    | 'meter-lag-differs'
    | 'statics-differ'
    | 'tank-rise-differs'
    | 'no-contact'
    | 'no-meter'
    | 'no-inlet'
    | 'no-tank'
    | 'leg-idle';
  /** One plain sentence with the numbers in it. */
  readonly text: string;
  readonly withholds: readonly (MetricName | 'everything')[];
}

export type SeverityClass = 'none' | 'mild' | 'severe' | 'at-limit' | 'unknown';

/** Every metric of one leg, by the table. Instants are in s after the trip; `trip` itself is on the record's clock. */
export type LegResults = Readonly<Record<MetricName, Result>>;

/** What stands under the plain name of a figure: the option of the rig file, the result it means, and how it is defined. */
export interface DefinitionUsed {
  readonly quantity: 'static' | 'peak' | 'surge' | 'reverseVelocity' | 'closingTime' | 'deceleration';
  readonly option: string;
  readonly result: MetricName;
  readonly words: string;
}

export interface LegVerdict {
  readonly leg: string;
  readonly valve: string;
  /** False for a leg that was not flowing: it has no results worth showing. */
  readonly active: boolean;
  readonly results: LegResults;
  readonly severity: {
    readonly class: SeverityClass;
    /** In words, e.g. `severe slam (softened closure)`. */
    readonly words: string;
    readonly rule: string;
    readonly mild_mps: number;
    readonly severe_mps: number;
  };
  readonly flags: readonly Flag[];
  /** Absent in verdicts of older software. */
  readonly definitions?: readonly DefinitionUsed[];
  /** The wave speed by either way; `results.waveSpeed` is the one with the narrower interval. Absent in older verdicts. */
  readonly waveSpeeds?: { readonly ringDown: Result; readonly twoTaps: Result };
  /** One sentence for a visitor, with the numbers in it. */
  readonly sentence: string;
  /** Velocity history by impulse, for drawing: s after trip, m/s. At most 2000 points; empty when withheld. */
  readonly velocity: { readonly time_s: readonly number[]; readonly value: readonly number[] };
}

/** The file that a record was read from, where it is an export of this program. */
export interface Provenance {
  /** Name of the file, without its folder. */
  readonly file: string;
  /** Of the event, as the file says; `window` for a stretch of the ring. */
  readonly exportOf: string;
  /** By the hash in the file; anything but `intact` was judged as a foreign recording, under the name of the file. */
  readonly state: 'intact' | 'edited' | 'no hash';
  /** SHA-256 of the content as it was read. */
  readonly sha256: string;
}

export interface Verdict {
  readonly event: string;
  readonly revision: number;
  readonly software: string;
  readonly reason: string;
  /** Which source gave the trip instant. */
  readonly tripSource: 'contact' | 'pressure-switch' | 'pressure-knee' | 'none';
  readonly legs: readonly LegVerdict[];
  /** Of the command line only: the server judges event folders. */
  readonly provenance?: Provenance;
}
