/** From a declared trip to the end of its record: decides when the window ends and waits until every line has reached it. */

import type { WindowConfig } from '../../config/rig.ts';
import type { WallAnchor } from '../clock.ts';
import type { EventHeader, TripSourceName } from '../store/event-folder.ts';
import type { TripDetector } from './detect.ts';

/** A line that is behind gets so long to reach the end of the window, in s. */
const patience_s = 0.5;
/** Data that stands still for so long after the time is over ends the event by the clock, in s. */
const stall_s = 1;

/** An event whose record may go on. */
export interface OpenEvent {
  readonly id: string;
  readonly source: TripSourceName;
  readonly trip_s: number;
  readonly declared_s: number;
  readonly anchor: WallAnchor;
}

/** An event whose window is known. */
export interface EndedEvent extends OpenEvent {
  readonly from_s: number;
  readonly to_s: number;
  readonly closedBecause: EventHeader['closedBecause'];
}

export class OpenEvents {
  private readonly windows: WindowConfig;
  private readonly detector: TripDetector;
  /** Where the slowest line stands, in s. */
  private readonly reached_s: () => number;
  private readonly onComplete: (event: EndedEvent) => void;
  private open: OpenEvent | null = null;
  private ended: EndedEvent[] = [];

  constructor(
    windows: WindowConfig,
    detector: TripDetector,
    reached_s: () => number,
    onComplete: (event: EndedEvent) => void,
  ) {
    this.windows = windows;
    this.detector = detector;
    this.reached_s = reached_s;
    this.onComplete = onComplete;
  }

  get current(): OpenEvent | null {
    return this.open;
  }

  /** Whether no event is open or waiting for its last samples. */
  get isIdle(): boolean {
    return this.open === null && this.ended.length === 0;
  }

  /** A trip was declared: ends the event that is open and opens the next. */
  begin(event: OpenEvent): void {
    if (this.open !== null) this.end(event.trip_s, 'next-trip');
    this.open = event;
    this.detector.openEvent(event.trip_s, event.source);
  }

  /** To be called after each block with the end of its data, and now and then by the clock. */
  update(data_s: number, now_s: number): void {
    if (this.open !== null) this.judge(this.open, data_s, now_s);
    if (this.ended.length > 0) this.release(now_s);
  }

  /** Nothing more will come: what is open ends here as `truncated`. */
  finish(data_s: number): void {
    if (this.open !== null) this.end(Math.max(data_s, this.open.trip_s), 'truncated');
    this.release(Number.POSITIVE_INFINITY);
  }

  private judge(event: OpenEvent, data_s: number, now_s: number): void {
    const { latest_s, seated_s, settled_s } = this.detector;
    const isSeated = !Number.isNaN(seated_s);
    const limit_s = isSeated
      ? seated_s + this.windows.afterSeating_s
      : event.trip_s + this.windows.withoutSeating_s;
    if (settled_s <= limit_s) {
      // What happened until then is on record when the latest channel has told it.
      this.end(settled_s + latest_s, 'settled');
      return;
    }
    const end_s = limit_s + latest_s;
    if (data_s < end_s && now_s < end_s + stall_s) return;
    this.end(end_s, isSeated ? 'after-seating' : 'no-seating');
  }

  private end(to_s: number, closedBecause: EventHeader['closedBecause']): void {
    if (this.open === null) return;
    const from_s = this.open.trip_s - this.windows.before_s;
    this.ended.push({ ...this.open, from_s, to_s, closedBecause });
    this.open = null;
    this.detector.closeEvent(to_s);
  }

  private release(now_s: number): void {
    const reached_s = this.reached_s();
    const waiting: EndedEvent[] = [];
    for (const event of this.ended) {
      if (reached_s >= event.to_s || now_s >= event.to_s + patience_s) this.onComplete(event);
      else waiting.push(event);
    }
    this.ended = waiting;
  }
}

/** Where the slowest of these groups stands, in s. One that never delivered (-Infinity) holds nobody up. */
export function slowestEnd_s(ends_s: readonly number[]): number {
  return Math.min(...ends_s.filter((end_s) => end_s > Number.NEGATIVE_INFINITY));
}
