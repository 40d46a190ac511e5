/** The number a person reads off a live channel. */
import type { ChannelView } from '../../daemon/web/wire.ts';
import { formatNumber } from '../format/number.ts';
import { displayUnit, toDisplay, type UnitSystem } from '../format/units.ts';
import type { FrameRing } from '../state/ring.ts';

/** Numbers are means over this long: a digit that dances cannot be read. */
const reading_s = 0.25;

export interface LiveValue {
  readonly text: string;
  readonly unit: string;
  /** SI; NaN when there is no reading. */
  readonly value: number;
}

/** Decimals by quantity: about a thousandth of what these instruments span. */
function decimalsOf(symbol: string): number {
  if (symbol === 'psi' || symbol === '°C' || symbol === '°F' || symbol === 'm³/h' || symbol === 'kPa')
    return 1;
  return symbol === 'gpm' || symbol === 'rpm' || symbol === 'mbar' ? 0 : 2;
}

export function liveValue(
  ring: FrameRing,
  index: number,
  channel: ChannelView,
  system: UnitSystem,
): LiveValue {
  const value = ring.recent(index, reading_s);
  const shown = displayUnit(channel.unit, system, channel.displayUnit);
  return { text: formatNumber(toDisplay(value, shown), decimalsOf(shown.symbol)), unit: shown.symbol, value };
}
