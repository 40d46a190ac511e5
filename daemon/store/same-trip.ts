/**
 * Which event a kept window belongs to. A window that a person kept round a trip that has an event of its own is that same
 * trip: it is linked to the event and never counted. The link is derived from the records alone, so an index that is made anew
 * has the same ones.
 */

/** Where an event lies on the clock of its run of the recorder, in s. */
export interface Span {
  readonly id: string;
  /** Kept by a person, not declared by the recorder. */
  readonly isWindow: boolean;
  /** Half-open. */
  readonly from_s: number;
  readonly to_s: number;
  /** As the verdict has it, else as declared; null for a window in which no trip was found. */
  readonly trip_s: number | null;
  /** When a person kept it, since 1970; 0 where that is not known. */
  readonly kept_ms: number;
}

/** Trips of one pump lie minutes apart; the same trip found in two records lies milliseconds apart (judgement), in s. */
const sameTrip_s = 1;

/**
 * The id of the event that `window` shows once more; null when it is a record of its own. `others`: all spans of the same run
 * that overlap it. Of several events the one whose trip is nearest; where no event has the trip, the window that was kept first.
 */
export function originalOf(window: Span, others: readonly Span[]): string | null {
  if (!window.isWindow) return null;
  const event = eventOf(window, others);
  if (event !== null) return event.id;
  const { trip_s } = window;
  if (trip_s === null) return null;
  const first = others
    .filter(
      (other) => other.isWindow && other.trip_s !== null && Math.abs(other.trip_s - trip_s) <= sameTrip_s,
    )
    .filter((other) => isKeptBefore(other, window))
    .sort((a, b) => (isKeptBefore(a, b) ? -1 : 1))[0];
  return first?.id ?? null;
}

/** The recorder's event whose record holds the window's trip; for a window without one, whose trip or its echo the window holds. */
function eventOf(window: Span, others: readonly Span[]): Span | null {
  const at_s = window.trip_s ?? (window.from_s + window.to_s) / 2;
  let nearest: Span | null = null;
  for (const other of others) {
    if (other.isWindow || other.trip_s === null) continue;
    const isHeld =
      window.trip_s === null
        ? window.from_s < other.to_s && other.trip_s < window.to_s
        : other.from_s <= window.trip_s && window.trip_s < other.to_s;
    if (!isHeld) continue;
    const isNearer = nearest === null || distance(other, at_s) < distance(nearest, at_s);
    if (isNearer) nearest = other;
  }
  return nearest;
}

function distance({ trip_s }: Span, at_s: number): number {
  return Math.abs((trip_s ?? Number.POSITIVE_INFINITY) - at_s);
}

function isKeptBefore(a: Span, b: Span): boolean {
  return a.kept_ms < b.kept_ms || (a.kept_ms === b.kept_ms && a.id < b.id);
}
