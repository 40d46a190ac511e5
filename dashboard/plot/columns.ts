/** From slices and histories to the columns that the plots draw. */
import uPlot from 'uplot';
import type { TraceView } from '../../daemon/web/wire.ts';
import { type DisplayUnit, toDisplay } from '../format/units.ts';

export type TraceChannel = TraceView['channels'][number];

/** Times and shown values of a channel: two points a slice where its minimum and maximum differ, null in a gap. */
export function pointsOf(
  channel: TraceChannel,
  shown: DisplayUnit,
): [time_s: number[], values: (number | null)[]] {
  const { time_s, min, max } = channel;
  const times: number[] = [];
  const values: (number | null)[] = [];
  for (let index = 0; index < time_s.length; index++) {
    const at_s = time_s[index]!;
    const low = min[index] ?? null;
    const high = max[index] ?? null;
    times.push(at_s);
    if (low === null || high === null) {
      values.push(null);
      continue;
    }
    if (low === high) {
      values.push(toDisplay(low, shown));
      continue;
    }
    const next_s = time_s[index + 1] ?? at_s + (at_s - (time_s[index - 1] ?? at_s - 1e-4));
    times.push(at_s + (next_s - at_s) / 2);
    // The order that leaves the smaller jump from the point before.
    const before = values.at(-1) ?? low;
    const isLowFirst = Math.abs(before - toDisplay(low, shown)) <= Math.abs(before - toDisplay(high, shown));
    values.push(toDisplay(isLowFirst ? low : high, shown), toDisplay(isLowFirst ? high : low, shown));
  }
  return [times, values];
}

/** Several channels over one time axis; a column is undefined where its channel has no point, null in its gaps. */
export function joinColumns(tables: readonly (readonly [number[], (number | null)[]])[]): uPlot.AlignedData {
  if (tables.length === 0) return [[]];
  return uPlot.join(tables.map(([time_s, values]) => [time_s, values] as uPlot.AlignedData));
}

/** Linear between the two nearest points; null outside and in a gap. `time_s` ascends. */
export function valueAt(
  time_s: readonly number[],
  values: readonly (number | null)[],
  at_s: number,
): number | null {
  const last = time_s.length - 1;
  if (last < 0 || at_s < time_s[0]! || at_s > time_s[last]!) return null;
  let low = 0;
  let high = last;
  while (high - low > 1) {
    const middle = (low + high) >> 1;
    if (time_s[middle]! <= at_s) low = middle;
    else high = middle;
  }
  const span_s = time_s[high]! - time_s[low]!;
  const share = span_s === 0 ? 0 : (at_s - time_s[low]!) / span_s;
  const from = values[low] ?? null;
  const to = values[high] ?? null;
  return from === null || to === null ? null : from + share * (to - from);
}
