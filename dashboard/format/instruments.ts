/** The state of an instrument in words: class, due date, drift. */
import type { ChannelStatus, ChannelView } from '../../daemon/web/wire.ts';
import { formatNumber, withUnit } from './number.ts';
import { calendarDay } from './time.ts';
import { displayUnit, type UnitSystem } from './units.ts';

/** Letter of NE 107 and a word for it. */
export const classWords: Readonly<
  Record<ChannelStatus['class'], { readonly letter: string; readonly word: string }>
> = {
  failure: { letter: 'F', word: 'Failure, value invalid' },
  'function-check': { letter: 'C', word: 'Function check, value invalid' },
  'out-of-specification': { letter: 'S', word: 'Out of specification, value uncertain' },
  'maintenance-required': { letter: 'M', word: 'Maintenance required, value valid' },
  good: { letter: '', word: 'Good' },
};

const day_ms = 86_400_000;

/** `2 Mar 2026, 12 days ago`; days only where the date is near or past. */
export function dueWords(due_ms: number | null, now_ms: number): string {
  if (due_ms === null) return 'not told';
  const days = Math.floor((now_ms - due_ms) / day_ms);
  if (days >= 0) return `${calendarDay(due_ms)}, overdue by ${days} days`;
  return days > -60 ? `${calendarDay(due_ms)}, in ${-days} days` : calendarDay(due_ms);
}

/** How wrong the channel was found by the calibration that holds, under the one before it; two digits. */
export function driftWords(
  { drift }: NonNullable<ChannelStatus['calibration']>,
  view: Pick<ChannelView, 'unit' | 'displayUnit'>,
  system: UnitSystem,
): string {
  if (drift === null) return 'first calibration';
  const unit = displayUnit(view.unit, system, view.displayUnit);
  const value = drift.value * unit.factor;
  const size = Math.abs(value);
  const decimals = size > 0 ? Math.min(6, Math.max(0, 1 - Math.floor(Math.log10(size)))) : 0;
  const text = `${value > 0 ? '+' : ''}${withUnit(formatNumber(value, decimals), unit.symbol)}`;
  return `${text} in ${Math.round(drift.days)} days${drift.isLarge ? ', more than stated' : ''}`;
}
