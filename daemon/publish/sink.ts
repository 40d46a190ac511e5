/**
 * THE contract between the outbox and a receiver outside. A sink author reads this file, messages.ts and one existing sink.
 *
 * A sink translates and sends; it keeps nothing. It holds no queue, no retry and no timer for them: what it has not settled is
 * handed to it again, first after a back-off, by the task that drives it (sink-task.ts). It lives in the server process, never
 * in the recorder.
 */
import type { Counters } from '../../drivers/driver.ts';
import type { Capture } from '../store/capture-request.ts';
import type { Message } from './messages.ts';

/** Messages in ascending `seq`, at least one. */
export interface Batch {
  readonly messages: readonly Message[];
  /**
   * False: fresh, at most a few seconds old. True: it has waited (an outage, a restart); to be marked as historical where the
   * receiver knows such a mark. Never mixed in one batch; fresh batches overtake historical ones.
   */
  readonly isHistorical: boolean;
}

/** A message, or a line made of it, that the receiver will never take: trying again would not help. */
export interface Rejection {
  readonly seq: number;
  /** The server's own words. */
  readonly why: string;
  /** What was refused, as it was sent. */
  readonly sent: string;
}

/** What became of a batch. */
export interface Delivery {
  /** The first `settled` messages are done with: taken, or in `rejected`. The others come again. */
  readonly settled: number;
  /** Go to the dead letters. May name one message several times (several of its lines). */
  readonly rejected: readonly Rejection[];
  /** Why the rest was not settled; null when all was. */
  readonly unavailable: Unavailable | null;
}

export interface Unavailable {
  /** One sentence for a technician, with the server's words where there are any. Never a secret. */
  readonly why: string;
  /** When the receiver said when to come back, in s; else null and the back-off decides. */
  readonly retryAfter_s: number | null;
}

/** What a receiver may ask of the station, where its sink takes commands. Nothing of it reaches a device. */
export interface Station {
  readonly capture: Capture;
  /** Lines, rig and alarms are told again, to every receiver. */
  readonly sayAgain: () => void;
  /** What a person who looks after the server should read. */
  readonly log: (text: string) => void;
}

/** What a sink is told when it starts. */
export interface SinkStart {
  readonly node: string;
  /** Run of the recorder. */
  readonly boot: string;
  readonly software: string;
  /** Line of the rig that a channel is read from; null for one that it has no more. Asked anew each time. */
  readonly lineOf: (channel: string) => string | null;
  readonly station: Station;
  /** The receiver can be reached again: ends a back-off early. May be called at any time. */
  readonly wake: () => void;
}

/**
 * | call      | never started | started                         | stopped |
 * |-----------|---------------|---------------------------------|---------|
 * | `start`   | starts        | throws                          | throws  |
 * | `deliver` | throws        | one at a time                   | throws  |
 * | `stop`    | no-op         | stops, `deliver` settles first  | no-op   |
 */
export interface Sink {
  /** Where it sends to, for people; no secret in it. */
  readonly address: string;
  /** What it counts itself, beside what its task does. */
  readonly counters?: Readonly<Counters>;
  /** Returns at once; connects when it likes. Throws only for a bug: a receiver that is away is an answer of `deliver`. */
  start(start: SinkStart): void;
  /**
   * Sends a batch. Never rejects for what a receiver does; a rejection is a bug, counted, and tried again like an
   * unavailable receiver. Settles within a second of `signal`, which ends a delivery that takes too long and is aborted when
   * the server stops.
   */
  deliver(batch: Batch, signal: AbortSignal): Promise<Delivery>;
  /** Says goodbye where the protocol has a word for it, and frees every socket. Resolves within two seconds. */
  stop(): Promise<void>;
}

/** What a sink needs of the time. */
export interface SinkClock {
  wallNow_ms(): number;
  /** Monotonic. */
  now_s(): number;
}
