/** What goes into the outbox and what a sink sees of it. */
import type { PublishKind } from '../../config/publish.ts';
import type { Message, Payload } from './messages.ts';
import type { LaneName } from './outbox-lanes.ts';
import type { Rejection } from './sink.ts';

/** A message before it has its number. */
export interface Draft {
  readonly at_ms: number;
  readonly payload: Payload;
}

/** Event and revision of a verdict; revision 0 stands for an event without one. */
export interface Told {
  readonly event: string;
  readonly revision: number;
}

/** What became of a sink's messages since it was first configured; kept on disk. */
export interface SinkCounters {
  messagesDelivered: number;
  /** In the dead letters, now or once. */
  messagesRejected: number;
  /** Shed for want of space before this sink had them. */
  messagesShed: number;
}

export interface DeadLetter {
  readonly sink: string;
  readonly seq: number;
  readonly kind: string;
  readonly at_ms: number;
  readonly rejected_ms: number;
  /** The server's words. */
  readonly why: string;
  readonly sent: string;
}

export interface OutboxOptions {
  readonly dataFolder: string;
  readonly node: string;
  /** Run of the recorder. */
  readonly boot: string;
  readonly quota_bytes: number;
  /** Names of all sinks and what they get; the places of others are forgotten. */
  readonly sinks: readonly { readonly name: string; readonly send: readonly PublishKind[] }[];
  /** Events that are there already when the outbox is first made: they are not published. */
  readonly alreadyThere: () => readonly Told[];
  readonly wallNow_ms: () => number;
}

/** What one sink sees of the outbox. */
export interface SinkQueue {
  readonly counters: Readonly<SinkCounters>;
  /** Upper bound of the messages still to be sent. */
  readonly waiting: number;
  /** Wall time of the oldest message still to be sent; null when there is none. */
  readonly oldest_ms: number | null;
  /** Moves what was queued up to `seq` from the fresh lane to the backlog. */
  age(seq: number): void;
  /** The next messages of a lane in ascending `seq`; empty when it has none. At most `limit`, at least one, about `most_bytes`. */
  read(lane: LaneName, limit: number, most_bytes: number): readonly Message[];
  /** The lane's messages up to and with `seq` are done with; those in `rejected` go to the dead letters. */
  settle(lane: LaneName, seq: number, delivered: number, rejected: readonly Rejection[]): void;
}
