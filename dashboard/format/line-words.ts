/** What a line carries, and how it fares, for a technician. */
import type { LineStatus } from '../../daemon/web/wire.ts';
import { formatNumber, thinSpace } from './number.ts';
import { clockTime } from './time.ts';
import { linkWords } from './words.ts';

/** State, since when, why, and when it is tried again; the same of devices that do not answer. `wallOf`: wall time in ms of a monotonic instant. */
export function linkSentence(
  { link, silentDevices = [] }: LineStatus,
  wallOf: (time_s: number) => number,
): string {
  const { state, since_s, why, nextTry_s } = link;
  const parts = [`${linkWords[state]} since ${clockTime(wallOf(since_s))}`];
  if (why !== '') parts.push(why.replace(/\.$/, ''));
  if (nextTry_s !== undefined) parts.push(`Next try at ${clockTime(wallOf(nextTry_s))}`);
  for (const device of silentDevices) {
    const since = clockTime(wallOf(device.since_s));
    parts.push(
      `${device.id} has not answered since ${since}; next try at ${clockTime(wallOf(device.nextTry_s))}`,
    );
  }
  return `${parts.join('. ')}.`;
}

/** Three digits are enough to see what fits; whole numbers stay whole. */
function rateText(rate_Hz: number): string {
  const digits = Math.max(0, 2 - Math.floor(Math.log10(Math.max(1, rate_Hz))));
  return `${formatNumber(rate_Hz, Number.isInteger(rate_Hz) ? 0 : digits)} samples/s`;
}

/** Rows of the line's account, samples of all its channels together: what it is, and how much. */
export function budgetRows(line: LineStatus): readonly (readonly [name: string, value: string])[] {
  const { budget, readings } = line;
  const rows: [string, string][] = [];
  if (budget !== undefined) {
    const { carried_Hz, asked_Hz, reached_Hz, samplesLost, span_s } = budget;
    const span = `last ${formatNumber(span_s, 0)}${thinSpace}s`;
    if (carried_Hz !== null) rows.push(['the wire could carry', rateText(carried_Hz)]);
    rows.push(['the plan needs', rateText(asked_Hz)]);
    if (reached_Hz !== null) {
      rows.push([`reached, ${span}`, rateText(reached_Hz)]);
      rows.push([`lost, ${span}`, formatNumber(samplesLost, 0)]);
    }
    const late = line.counters['slotsDelayed'];
    if (late !== undefined && late > 0)
      rows.push(['polls one slot late, since start', formatNumber(late, 0)]);
  }
  const drift_ppm = readings?.['drift_ppm'];
  if (drift_ppm !== undefined) rows.push(['clock of the device', driftText(drift_ppm)]);
  const halfWidth_ms = readings?.['halfWidth_ms'];
  if (halfWidth_ms !== undefined)
    rows.push(['instants known to', `\u00b1${formatNumber(halfWidth_ms, 2)}${thinSpace}ms`]);
  return rows;
}

/** A positive drift: its second is longer than ours. */
function driftText(drift_ppm: number): string {
  const text = `${formatNumber(Math.abs(drift_ppm), 1)}${thinSpace}ppm`;
  if (Math.abs(drift_ppm) < 0.05) return text;
  return `${text} ${drift_ppm > 0 ? 'slow' : 'fast'}`;
}
