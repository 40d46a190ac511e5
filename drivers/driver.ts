/**
 * THE contract between an instrument and the recorder. A driver author reads this file and one existing driver.
 *
 * A driver turns bytes of one line into raw blocks. It does not calibrate, convert units, detect or drop silently.
 * Besides initialising fields a constructor does nothing; everything starts in `start`.
 */

import { systemClock } from './clock.ts';

/** Columns sampled at the same instants with the same number type: a frame stream, or one block of registers. */
export interface GroupSpec {
  /** Unique within the line, for example `stream` or `unit1:4:100+6`. */
  readonly id: string;
  /** Channel ids, in column order. */
  readonly channels: readonly string[];
  /** `i32`: converter counts and digital bits. `f64`: register values that may be floats. */
  readonly encoding: 'i32' | 'f64';
  /** Spacing of scans that the configuration asks for, in s. */
  readonly nominalInterval_s: number;
}

/** Per-scan quality bits; 0 is good. A bad sample keeps its value and carries a bit. */
export const quality = {
  /** The device or the line could not vouch for it (e.g. not confirmed after a late reply). */
  suspect: 1,
  /** The converter reports over-range on some channel of this scan. */
  clipped: 2,
  /** The device reports the value as invalid. */
  invalid: 4,
} as const;

/**
 * Consecutive, evenly spaced scans of one group. Ownership of the arrays passes to the sink.
 * Times are the recorder's monotonic clock (`monotonic_s`), never wall time.
 */
export interface RawBlock {
  /** Index into `Driver.groups`. */
  readonly group: number;
  /** Index of the first scan since the driver was made. Lost scans count, so a jump is a gap of known size. */
  readonly scan: number;
  readonly scans: number;
  /** Instant of the first scan, in s. */
  readonly time_s: number;
  /** Spacing of the scans in s, as measured (meaningless when `scans` is 1). */
  readonly interval_s: number;
  /** Half-width of the interval in which each scan surely was taken, in s. */
  readonly halfWidth_s: number;
  /** `scans * channels` raw numbers, scan by scan. */
  readonly raw: Int32Array | Float64Array;
  /** One byte a scan, bits of `quality`. */
  readonly quality: Uint8Array;
  /** Scans known to be lost between the previous block of this group and this one. A poll that came one slot late is none. */
  readonly lostBefore: number;
}

/** State of the link under a driver. `since_s` is monotonic. */
export interface LinkState {
  readonly state:
    | 'opening'
    | 'open'
    | 'reconnecting'
    | 'absent'
    | 'busy'
    | 'denied'
    | 'silent'
    | 'ended'
    | 'stopped';
  readonly since_s: number;
  /** One sentence for a technician: what is wrong and what to do; empty when open. */
  readonly why: string;
  /** When the line is tried again by itself, monotonic s; absent where no attempt is planned. */
  readonly nextTry_s?: number;
}

/** A device of a line that others use as well, which does not answer. Instants are monotonic. */
export interface SilentDevice {
  readonly id: string;
  readonly since_s: number;
  readonly nextTry_s: number;
}

/** Receives what a driver produces. Neither call may throw or block. */
export interface DriverSink {
  block(block: RawBlock): void;
  state(state: LinkState): void;
}

/** Plain counters, plural and ending with a past participle (`framesReceived`, `scansLost`). They only grow. */
export type Counters = Record<string, number>;

/** Adds to a counter; one that was not there begins at 0. */
export function count(counters: Counters, name: string, by = 1): void {
  counters[name] = (counters[name] ?? 0) + by;
}

/** Latest numbers about the line itself with their unit in the name (`drift_ppm`); they rise and fall. */
export type Readings = Record<string, number>;

/**
 * One line's reader.
 *
 * | call      | never started | started | stopped |
 * |-----------|---------------|---------|---------|
 * | `start`   | starts        | throws  | throws  |
 * | `stop`    | no-op         | stops   | no-op   |
 * | `groups`, `counters` | at any time  |||
 */
export interface Driver {
  /** Fixed by the configuration; known before `start`. */
  readonly groups: readonly GroupSpec[];
  readonly counters: Readonly<Counters>;
  readonly readings?: Readonly<Readings>;
  /** Devices of the line that have been given up for a while; absent where a line is one device. */
  readonly silentDevices?: readonly SilentDevice[];
  /**
   * Begins to read. Returns at once: an absent, locked or silent device is a `LinkState`, not an error,
   * and the driver tries again for ever.
   */
  start(sink: DriverSink): void;
  /** Resolves when nothing more will be delivered and the port is released. */
  stop(): Promise<void>;
}

/** Samples per second that the groups ask for together. */
export function summedRate_Hz(groups: readonly GroupSpec[]): number {
  return groups.reduce(
    (sum, { channels, nominalInterval_s }) => sum + channels.length / nominalInterval_s,
    0,
  );
}

/** CLOCK_MONOTONIC of the machine in s, for tools and benches; what records gets a `Clock`. */
export function monotonic_s(): number {
  return systemClock.monotonic_s();
}
