/**
 * Everything that is published, typed in one place. JSON as it stands: these names are what a receiver sees.
 *
 * A message is delivered at least once. `(node, boot, seq)` is never used for two different messages, so a receiver drops
 * repeats by it. `seq` grows from message to message; a jump is a message that was shed or that this receiver does not get.
 */
import type { PublishKind } from '../../config/publish.ts';
import type { QuantityKind } from '../../config/rig.ts';
import type { Counters, LinkState } from '../../drivers/driver.ts';
import type { Verdict } from '../analysis/verdict.ts';
import type { RigPhase } from '../recorder/messages.ts';
import type { SinkView } from './sink-view.ts';

/** Worst sample of a period; clipped and suspect samples are in the numbers, invalid ones are not. */
export type WorstFlag = 'good' | 'suspect' | 'clipped' | 'invalid';

/**
 * One channel over one period, in SI, pressure gauge. A channel of which nothing came is left out; one of which only invalid
 * samples came has `count` 0 and nulls.
 */
export interface ChannelRollup {
  readonly channel: string;
  /** Decides the unit: Pa (gauge), m/s, m3/s, m, K, rad/s, ratio (position 1 is open, state 0 or 1). */
  readonly quantity: QuantityKind;
  readonly min: number | null;
  readonly max: number | null;
  readonly mean: number | null;
  /** Of the newest sample. */
  readonly last: number | null;
  /** Samples in the numbers. */
  readonly count: number;
  readonly worst: WorstFlag;
}

/** All channels over one second of the wall clock; `at_ms` is its start. */
export interface SummaryPayload {
  readonly kind: 'summary';
  readonly period_s: 1;
  readonly channels: readonly ChannelRollup[];
}

/** The same over a minute or an hour; `at_ms` is its start. A later message for the same period replaces the earlier one. */
export interface TrendPayload {
  readonly kind: 'trend';
  readonly period_s: 60 | 3600;
  /** `sd`: standard deviation of the samples, null where it is not known. */
  readonly channels: readonly (ChannelRollup & { readonly sd: number | null })[];
}

/** A trip was declared; its record is still open. `at_ms` is the trip as declared. A notice: it may be missing, its event never is. */
export interface TripPayload {
  readonly kind: 'trip';
  readonly event: string;
  readonly source: string;
}

/** An event is closed and safe on this machine; `at_ms` is the trip. Every event comes once. */
export interface EventPayload {
  readonly kind: 'event';
  readonly event: string;
  readonly source: string;
  readonly closedBecause: string;
  /** Why there is no verdict; null when one follows. */
  readonly trouble: string | null;
}

/** One revision of a verdict; a later one has a higher `revision` and never replaces it. `at_ms` is the trip. */
export interface VerdictPayload {
  readonly kind: 'verdict';
  readonly event: string;
  /** Without the velocity histories, which are for drawing: they are empty here. */
  readonly verdict: Verdict;
}

/** State of one line, when it changes and once a minute. */
export interface LinkPayload {
  readonly kind: 'link';
  readonly line: string;
  readonly driver: string;
  readonly state: LinkState['state'];
  readonly since_ms: number;
  /** What is wrong, in a sentence; empty when open. */
  readonly why: string;
  /** Since the recorder started. */
  readonly counters: Counters;
}

/** What the rig does, when it changes and once a minute. */
export interface PhasePayload {
  readonly kind: 'phase';
  readonly phase: RigPhase | 'analysing' | 'recorder-gone';
}

/** Something is wrong (`isActive`; told again once a minute while it stands), or no longer. */
export interface AlarmPayload {
  readonly kind: 'alarm';
  /** Names the trouble; the same while it stands. */
  readonly key: string;
  readonly isActive: boolean;
  readonly since_ms: number;
  readonly what: string;
  readonly remedy: string;
}

/** One receiver of this station and what waits for it, when its state changes and once a minute. A receiver hears of all of them. */
export interface SinkPayload {
  readonly kind: 'sink';
  readonly sink: string;
  /** Its kind: `influx`, `mqtt`, `sparkplug`. */
  readonly receiver: string;
  readonly state: SinkView['state'];
  readonly since_ms: number;
  /** Why it is down; empty otherwise. */
  readonly why: string;
  /** Messages that wait for it: an upper bound. */
  readonly waiting: number;
  /** What the oldest of them tells of; null when none waits. */
  readonly oldest_ms: number | null;
  /** Since the sink was first configured: delivered, in the dead letters, given up because the outbox was full. */
  readonly delivered: number;
  readonly rejected: number;
  readonly shed: number;
}

interface Payloads {
  readonly summary: SummaryPayload;
  readonly trend: TrendPayload;
  readonly trip: TripPayload;
  readonly event: EventPayload;
  readonly verdict: VerdictPayload;
  readonly link: LinkPayload;
  readonly phase: PhasePayload;
  readonly alarm: AlarmPayload;
  readonly sink: SinkPayload;
}

/** Told apart by `kind`. Does not compile when a kind of the configuration has no payload. */
export type Payload = Payloads[PublishKind];

export interface Message {
  /** Name of the station. */
  readonly node: string;
  /** Run of the recorder that the message comes from. */
  readonly boot: string;
  readonly seq: number;
  /** Wall time of what it tells, in ms since 1970, UTC; see the payload. */
  readonly at_ms: number;
  readonly payload: Payload;
}
