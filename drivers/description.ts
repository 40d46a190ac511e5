/** What a driver says of its lines before the first byte, so that nothing outside its folder branches on its kind. */
import type { LineSpec, LinkSpec } from './line-spec.ts';

export type SerialLinkSpec = Extract<LinkSpec, { kind: 'serial' }>;

/** What one device or stream asks of the wire: `busy_s` of every `period_s`. */
export interface LoadPart {
  readonly id: string;
  /** Requests each period; 0 for a stream, which is not asked. */
  readonly requests: number;
  readonly busy_s: number;
  readonly period_s: number;
}

export interface LineLoad {
  readonly parts: readonly LoadPart[];
  /** Share of the wire's time that all parts take, before the devices' own time; above 1 they cannot fit. */
  readonly share_ratio: number;
}

/** Pure functions of a line's specification. */
export interface DriverDescription<Spec extends LineSpec> {
  /** False where what is played is of another time: no ledger, no budget, no trip that a dead run owes. */
  readonly isLive: boolean;
  /** Where the line is; null where it has no port. */
  link(line: Spec): LinkSpec | null;
  /** Samples per second of a channel as configured; null for a channel of another line, or where only the recording knows. */
  rate_Hz(line: Spec, channel: string): number | null;
  /** Samples per second of all its channels together, as they are written to the disk; 0 where nothing is live. */
  samplesPerSecond(line: Spec): number;
  /**
   * What the plan takes of a serial line's time; null where the speed is not known: over TCP, for lines of text, for a port that
   * ignores its speed, for recordings. Throws RangeError for a plan that cannot be made.
   */
  load(line: Spec): LineLoad | null;
  /** For a load above 1: the key of the line to change, and what does not fit. */
  overload(line: Spec, load: LineLoad): { readonly key: string; readonly text: string };
}

/** A load of these parts. */
export function loadFrom(parts: readonly LoadPart[]): LineLoad {
  return { parts, share_ratio: parts.reduce((sum, { busy_s, period_s }) => sum + busy_s / period_s, 0) };
}

/** Three digits. */
export const short = (value: number): string => String(Number(value.toPrecision(3)));
