/** The number a person reads off a live channel. */
import type { ChannelView, RigView } from '../../daemon/web/wire.ts';
import { formatNumber } from '../format/number.ts';
import { type DisplayUnit, displayUnit, toDisplay, type UnitSystem } from '../format/units.ts';
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
  const shown = displayUnit(channel.unit, system, channel.displayUnit);
  return shownValue(ring.recent(index, reading_s), shown);
}

/** The same for a channel that is shown as something else, such as a flow as velocity. */
export function convertedValue(
  ring: FrameRing,
  index: number,
  factor: number,
  shown: DisplayUnit,
): LiveValue {
  return shownValue(ring.recent(index, reading_s) * factor, shown);
}

function shownValue(value: number, shown: DisplayUnit): LiveValue {
  return { text: formatNumber(toDisplay(value, shown), decimalsOf(shown.symbol)), unit: shown.symbol, value };
}

/** Times this a meter's reading is the velocity in its leg, in m/s: 1 for a velocity, one over the bore's area for a flow. */
export function velocityFactor(channel: ChannelView, rig: RigView): number {
  const bore_m = rig.legs.find(({ id }) => id === channel.leg)?.bore_m;
  return channel.quantity === 'flow' && bore_m !== undefined ? 4 / (Math.PI * bore_m ** 2) : 1;
}
