/** How one request travels and its reply comes back. Two ways: `rtu-wire.ts` and `tcp-wire.ts`. */
import type { Request } from './requests.ts';
import type { Turnarounds } from './turnarounds.ts';
import type { UnitHealth } from './unit-health.ts';

/** The part of a link that a wire uses; see `link.ts`. */
export interface WireLine {
  readonly isOpen: boolean;
  readonly characterTime_s: number;
  write(bytes: Uint8Array): number | null;
  readPending(): void;
}

/** What became of one request. */
export type Outcome =
  | {
      readonly kind: 'reply';
      /** What follows the counts of the reply; may be kept. */
      readonly data: Uint8Array;
      /** The unit put it together between these instants. */
      readonly from_s: number;
      readonly to_s: number;
    }
  | { readonly kind: 'exception'; readonly code: number }
  /** A probe only: the late reply to an earlier one was proof enough. */
  | { readonly kind: 'proven' }
  | { readonly kind: 'unanswered' }
  /** It never touched the wire. */
  | { readonly kind: 'unsent'; readonly why: string }
  /** The line was lost, or the driver stops: whether the unit got it is not known. */
  | { readonly kind: 'abandoned' };

export interface Wire {
  /** End of request to first byte of the reply. */
  readonly turnarounds: Turnarounds;
  /** Requests that may be on their way at a time. */
  readonly most: number;
  /** Nothing was on the wire after this instant, as far as known. */
  readonly busyUntil_s: number;
  /** Earliest instant at which a request to a unit that wants `gap_s` of silence may begin. */
  freeFrom_s(gap_s: number): number;
  /** Takes in what lies unread. */
  readPending(): void;
  /** Sends now. Never rejects; the caller reports the outcome to the unit's health. */
  ask(unit: UnitHealth, request: Request, isProbe: boolean): Promise<Outcome>;
  /** Sends to every unit; nobody answers. The instant until which they are left to do it; null when it was not sent. */
  broadcast(request: Request): number | null;
  /** Bytes from the line, whole chunk arrived at `time_s`. */
  receive(chunk: Uint8Array, time_s: number): void;
  /** The line has gone, or waiting for answers is over. */
  abandon(): void;
}
