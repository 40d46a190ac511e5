/** What a rig process writes down when it ends. */
import type { PlayedReply } from './bus-player.ts';

export interface StreamNotes {
  /** Instant of scan 0, in s on the monotonic clock. */
  readonly start_s: number;
  readonly period_s: number;
  readonly frames: number;
  /** One byte a frame, `frameFate` (0: still on the wire at the end), in base64. */
  readonly fates: string;
  readonly bitsTurned: number;
}

export interface BusNotes {
  readonly replies: readonly PlayedReply[];
  /** Instants of all requests that came, rising, in s. */
  readonly heard_s: readonly number[];
  readonly counters: Readonly<Record<string, number>>;
  readonly bitsTurned: number;
}
