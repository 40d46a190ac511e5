/**
 * Everything that is published, typed from the schemas of `payloads.ts`.
 *
 * A message is delivered at least once. `(node, boot, seq)` is never used for two different messages, so a receiver drops
 * repeats by it. `seq` grows from message to message; a jump is a message that was shed or that this receiver does not get.
 */
import type { PublishKind } from '../../config/publish.ts';
import type { Frozen } from '../frozen.ts';
import type { payloadSchemas } from './payloads.ts';

type Payloads = { readonly [Kind in PublishKind]: Frozen<(typeof payloadSchemas)[Kind]> };

/** All channels over one second of the wall clock; `at_ms` is its start. */
export type SummaryPayload = Payloads['summary'];

/** The same over a minute or an hour; `at_ms` is its start. A later message for the same period replaces the earlier one. */
export type TrendPayload = Payloads['trend'];

/** A trip was declared; its record is still open. `at_ms` is the trip as declared. A notice: it may be missing, its event never is. */
export type TripPayload = Payloads['trip'];

/** An event is closed and safe on this machine; `at_ms` is the trip. Every event comes once. */
export type EventPayload = Payloads['event'];

/** One revision of a verdict; a later one has a higher `revision` and never replaces it. `at_ms` is the trip. */
export type VerdictPayload = Payloads['verdict'];

/** State of one line, when it changes and once a minute. */
export type LinkPayload = Payloads['link'];

/** What the rig does, when it changes and once a minute. */
export type PhasePayload = Payloads['phase'];

/** Something is wrong (`isActive`; repeated once a minute while it stands), or no longer. */
export type AlarmPayload = Payloads['alarm'];

/** One receiver of this station and what waits for it, when its state changes and once a minute. Every receiver gets all of them. */
export type SinkPayload = Payloads['sink'];

/**
 * One channel over one period, in SI, pressure gauge. A channel of which nothing came is left out; one of which only invalid
 * samples came has `count` 0 and nulls.
 */
export type ChannelRollup = SummaryPayload['channels'][number];

/** Worst sample of a period; clipped and suspect samples are in the numbers, invalid ones are not. */
export type WorstFlag = ChannelRollup['worst'];

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
