/** What stands at a window that was kept by hand of a trip that has an event already. */
import { eventHash } from '../state/route.ts';

/** `trip`: id of that event. */
export function KeptWindowOf({ trip }: { trip: string }) {
  return (
    <span class="kept-window-of">
      Kept window of <a href={eventHash(trip)}>{trip}</a>
    </span>
  );
}
