/** Whether an event is as long as its windows, and holds every scan of them that the drivers delivered. Pure. */

export interface WindowLimits {
  readonly before_s: number;
  readonly afterSeating_s: number;
  readonly withoutSeating_s: number;
}

export interface EventWindow {
  readonly id: string;
  readonly trip_s: number;
  readonly from_s: number;
  readonly to_s: number;
  readonly closedBecause: string;
}

/** A trip may be placed anew by so much when its event is closed, in s. */
const slack_s = 0.05;
/** The pressure of the soak rings for 1.3 s after a stop (values.ts): no event has settled sooner than this, in s. */
const leastSettled_s = 1;

/** What is too short about an event; null when nothing is. `first_s`: first sample of the run; an event of its beginning may be short. */
export function shortWindow(event: EventWindow, limits: WindowLimits, first_s: number): string | null {
  const { id, trip_s, from_s, to_s, closedBecause } = event;
  const due_s = Math.max(first_s, trip_s - limits.before_s);
  if (from_s > due_s + slack_s) return `${id}: begins ${(from_s - due_s).toFixed(2)} s too late`;
  const least_s = leastAfter_s(closedBecause, limits);
  const after_s = to_s - trip_s;
  return after_s < least_s - slack_s
    ? `${id}: ends ${after_s.toFixed(2)} s after its trip (${closedBecause}), ${least_s.toFixed(2)} s or more is due`
    : null;
}

function leastAfter_s(closedBecause: string, { afterSeating_s, withoutSeating_s }: WindowLimits): number {
  if (closedBecause === 'no-seating') return withoutSeating_s;
  if (closedBecause === 'after-seating') return afterSeating_s;
  // One that the next trip or the stop of the recorder ended is as long as it could be.
  return closedBecause === 'settled' ? leastSettled_s : 0;
}

/** Scans that a driver delivered together; numbers and instants rise by one and by the interval. */
export interface DeliveredBlock {
  readonly scan: number;
  readonly scans: number;
  readonly time_s: number;
  readonly interval_s: number;
}

/** Scans that were delivered with an instant inside the window and are not in the event. */
export function missingScans(
  delivered: readonly DeliveredBlock[],
  inEvent: ReadonlySet<number>,
  { from_s, to_s }: { readonly from_s: number; readonly to_s: number },
): number {
  let missing = 0;
  for (const { scan, scans, time_s, interval_s } of delivered) {
    if (time_s > to_s || time_s + scans * interval_s < from_s) continue;
    for (let i = 0; i < scans; i++) {
      const at_s = time_s + i * interval_s;
      if (at_s > from_s && at_s < to_s && !inEvent.has(scan + i)) missing++;
    }
  }
  return missing;
}
