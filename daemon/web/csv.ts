/** The data behind a plot as CSV (RFC 4180): time in s after the trip, then one column a channel in SI. */
import type { ChannelView, TraceView } from './wire.ts';

function quoted(text: string): string {
  return /[",\r\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text;
}

/**
 * All samples of all channels by ascending time; a channel that was not sampled at an instant leaves its cell empty.
 * Numbers carry 9 significant digits, more than any converter.
 */
export function csvLines(trace: TraceView, channels: readonly ChannelView[]): string {
  const units = new Map(channels.map((channel) => [channel.id, channel.unit]));
  const header = trace.channels.map(({ id }) => quoted(`${id} [${units.get(id) ?? '?'}]`));
  const lines = [['time after trip [s]', ...header].join(',')];
  const next = trace.channels.map(() => 0);
  for (;;) {
    let time_s = Number.POSITIVE_INFINITY;
    trace.channels.forEach((channel, index) => {
      time_s = Math.min(time_s, channel.time_s[next[index]!] ?? Number.POSITIVE_INFINITY);
    });
    if (time_s === Number.POSITIVE_INFINITY) break;
    const cells = trace.channels.map((channel, index) => {
      const at = next[index]!;
      if (channel.time_s[at] !== time_s) return '';
      next[index] = at + 1;
      return String(Number(((channel.min[at]! + channel.max[at]!) / 2).toPrecision(9)));
    });
    lines.push([time_s.toFixed(6), ...cells].join(','));
  }
  return `${lines.join('\r\n')}\r\n`;
}
