/** Wall time in the reader's own zone. */

const clock = new Intl.DateTimeFormat('en-GB', { hour: '2-digit', minute: '2-digit', second: '2-digit' });
const day = new Intl.DateTimeFormat('en-GB', { day: 'numeric', month: 'short', year: 'numeric' });

/** `14:03:27` */
export function clockTime(wall_ms: number): string {
  return clock.format(wall_ms);
}

/** `25 Nov 2026` */
export function calendarDay(wall_ms: number): string {
  return day.format(wall_ms);
}

/** Whether a time lies on the reader's present day; the date need not be said then. */
export function isToday(wall_ms: number): boolean {
  return calendarDay(wall_ms) === calendarDay(Date.now());
}
