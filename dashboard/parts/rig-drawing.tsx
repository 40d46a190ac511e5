/** The rig as a line drawing with the values at its taps, laid out in real pixels so that it can be read on a phone. */
import { useEffect, useRef, useState } from 'preact/hooks';
import type { ChannelView, LegView, RigView, StatusView } from '../../daemon/web/wire.ts';
import { formatNumber, withUnit } from '../format/number.ts';
import { tagOf } from '../format/tags.ts';
import { displayUnit, toDisplay, type UnitSystem } from '../format/units.ts';
import type { FrameRing } from '../state/ring.ts';
import { type LiveValue, liveValue, velocityFactor } from './live-value.ts';
import { Bubble, CheckValve, FlowArrow, Pump, Tank, TapValue, TripBar } from './symbols.tsx';

interface Props {
  readonly rig: RigView;
  readonly ring: FrameRing;
  readonly status: StatusView | null;
  readonly units: UnitSystem;
  readonly height_px: number;
}

interface Found {
  readonly channel: ChannelView;
  readonly live: LiveValue;
}

export function RigDrawing({ rig, ring, status, units, height_px }: Props) {
  const host = useRef<HTMLDivElement>(null);
  const [width, setWidth] = useState(600);
  useEffect(() => {
    const observer = new ResizeObserver(() => setWidth(host.current?.clientWidth ?? 600));
    observer.observe(host.current!);
    return () => observer.disconnect();
  }, []);

  const find = (role: ChannelView['role'], leg: string | null, quantity?: string): Found | null => {
    const index = rig.channels.findIndex(
      (channel) =>
        channel.role === role &&
        channel.leg === leg &&
        (quantity === undefined || channel.quantity === quantity),
    );
    const channel = rig.channels[index];
    return channel === undefined ? null : { channel, live: liveValue(ring, index, channel, units) };
  };
  const contact = find('contact', null);
  const isRunning = contact === null || Number.isNaN(contact.live.value) ? null : contact.live.value > 0.5;
  const legs = Math.max(1, rig.legs.length);
  const isNarrow = width < 520;
  const isFlat = legs > mostTallLegs;
  const height = Math.max(height_px, legs * (isFlat ? 76 : 128));
  const rowHeight = height / legs;
  const rowY = (index: number): number => rowHeight * (index + 0.5) + (isFlat ? 4 : isNarrow ? 20 : 14);
  const first = rowY(0);
  const last = rowY(legs - 1);
  const middle = (first + last) / 2;
  const pumpX = isNarrow ? 20 : 40;
  const headerX = pumpX + (isNarrow ? 28 : 58);
  const tankX = width - (isNarrow ? 46 : 84);
  const joinX = tankX - (isNarrow ? 32 : 64);

  return (
    <div ref={host} class={`rig-drawing ${isNarrow ? 'is-narrow' : ''}`}>
      <svg
        width={width}
        height={height}
        viewBox={`0 0 ${width} ${height}`}
        role="img"
        aria-label={describe(rig, find)}
      >
        <path
          class="pipe"
          d={`M${pumpX} ${middle}H${headerX}M${headerX} ${first}V${last}M${joinX} ${first}V${last}M${joinX} ${middle}H${tankX - 22}`}
        />
        <Pump x={pumpX} y={middle} isRunning={isRunning} />
        {isRunning !== null && (
          <text class="label" x={Math.max(pumpX, 22)} y={middle + 38} text-anchor="middle">
            {isRunning ? 'runs' : 'at rest'}
          </text>
        )}
        {rig.legs.map((leg, index) => (
          <Leg
            key={leg.id}
            leg={leg}
            rig={rig}
            y={rowY(index)}
            from={headerX}
            to={joinX}
            isNarrow={isNarrow}
            isFlat={isFlat}
            find={(role) => find(role, leg.id)}
          />
        ))}
        <TankPart
          rig={rig}
          x={tankX}
          y={middle}
          height={Math.min(170, height - 90)}
          units={units}
          status={status}
          pressure={find('tank', null, 'pressure')}
          level={find('other', null, 'level')}
        />
      </svg>
    </div>
  );
}

/** More legs than these are drawn flat, so that the drawing stays on the screen. */
const mostTallLegs = 3;

interface LegProps {
  readonly leg: LegView;
  readonly rig: RigView;
  readonly y: number;
  readonly from: number;
  readonly to: number;
  readonly isNarrow: boolean;
  /** Many legs: the tag is written on the pipe instead of in a bubble above it. */
  readonly isFlat: boolean;
  readonly find: (role: ChannelView['role']) => Found | null;
}

/** Where things stand along a leg, as shares of its length. */
const wide = { inlet: 0.13, valve: 0.34, outlet: 0.55, mid: 0.7, meter: 0.86 } as const;
const narrow = { inlet: 0.14, valve: 0.34, outlet: 0.57, mid: 0.7, meter: 0.87 } as const;
/** Half a value and the space that it keeps from a neighbour, and a letter of a name, in CSS px. */
const valueHalf_px = 26;
const letter_px = 7;

function Leg({ leg, rig, y, from, to, isNarrow, isFlat, find }: LegProps) {
  const places = isNarrow ? narrow : wide;
  const x = (share: number): number => from + share * (to - from);
  const meter = find('meter');
  const velocity = meter === null ? Number.NaN : meter.live.value * velocityFactor(meter.channel, rig);
  const isFlowing = Math.abs(velocity) > 0.05;
  // On a phone a name stands on a line of its own: between the values there is no room for it.
  const between_px = 2 * Math.min(x(places.valve) - x(places.inlet), x(places.outlet) - x(places.valve));
  const nameRoom_px = isNarrow ? to - from : between_px - 2 * valueHalf_px;
  return (
    <g class={`leg ${isFlowing ? 'is-flowing' : ''}`}>
      <title>{`${leg.name}: ${leg.valve.type} ${leg.valve.size}`}</title>
      <path class="pipe" d={`M${from} ${y}H${to}`} />
      <FlowArrow x={x(places.valve + 0.115)} y={y} velocity_mps={velocity} />
      <CheckValve x={x(places.valve)} y={y} />
      {(['inlet', 'outlet', 'mid', 'meter'] as const).map((role) => {
        const found = role === 'meter' ? meter : find(role);
        // Four numbers do not fit beside each other on a phone; the mid-leg tap says least.
        if (found === null || (isNarrow && role === 'mid')) return null;
        const tag = tagOf(found.channel, rig);
        return (
          <g key={role}>
            {isFlat ? (
              <text class="label" x={x(places[role])} y={y - 8} text-anchor="middle">
                {`${tag.letters} ${tag.loop}`}
              </text>
            ) : (
              <Bubble x={x(places[role])} y={y - 42} tag={tag} tap={y} />
            )}
            <TapValue x={x(places[role])} y={y + 20} of={found.live} />
          </g>
        );
      })}
      {isNarrow ? (
        <text class="leg-name" x={from + 2} y={y - (isFlat ? 22 : 64)}>
          {cut(leg.name, nameRoom_px)}
        </text>
      ) : (
        <>
          <text class="leg-name" x={x(places.valve)} y={y + 28} text-anchor="middle">
            {cut(leg.name, nameRoom_px)}
          </text>
          <text class="label" x={x(places.valve)} y={y - 18} text-anchor="middle">
            {cut(leg.valve.type, nameRoom_px)}
          </text>
        </>
      )}
    </g>
  );
}

/** As much of a name as there is room for; the whole name stands in the title. */
function cut(name: string, room_px: number): string {
  const letters = Math.max(3, Math.floor(room_px / letter_px));
  return name.length <= letters ? name : `${name.slice(0, letters - 1)}…`;
}

interface TankProps {
  readonly rig: RigView;
  readonly x: number;
  readonly y: number;
  readonly height: number;
  readonly units: UnitSystem;
  readonly status: StatusView | null;
  readonly pressure: Found | null;
  readonly level: Found | null;
}

function TankPart({ rig, x, y, height, units, pressure, level }: TankProps) {
  if (pressure === null) {
    return (
      <text class="label" x={x} y={y + 4} text-anchor="middle">
        to the system
      </text>
    );
  }
  const [lowest, highest] = level?.channel.range ?? [0, 1];
  const water =
    level === null || Number.isNaN(level.live.value)
      ? null
      : (level.live.value - lowest) / (highest - lowest);
  const setPoint_Pa = rig.tripSetPoint_Pa;
  const shown = displayUnit('Pa', units, pressure.channel.displayUnit);
  const top = y - height / 2;
  return (
    <g>
      <Tank x={x} y={y} width={44} height={height} water={water} />
      {setPoint_Pa !== null && (
        <>
          <TripBar x={x + 32} y={y} height={height} share={pressure.live.value / setPoint_Pa} />
          <text class="label limit" x={x + 44} y={top - 6} text-anchor="end">
            trip{' '}
            {withUnit(
              formatNumber(toDisplay(setPoint_Pa, shown), shown.symbol === 'psi' ? 0 : 1),
              shown.symbol,
            )}
          </text>
        </>
      )}
      <TapValue x={x} y={y + height / 2 + 19} of={pressure.live} />
      {level !== null && (
        <text class="label" x={x} y={y - 4} text-anchor="middle">
          {withUnit(level.live.text, level.live.unit)}
        </text>
      )}
    </g>
  );
}

function describe(
  rig: RigView,
  find: (role: ChannelView['role'], leg: string | null) => Found | null,
): string {
  const say = (found: Found | null): string =>
    found === null ? '' : withUnit(found.live.text, found.live.unit);
  const legs = rig.legs.map(
    (leg) => `${leg.name}: ${say(find('meter', leg.id))}, ${say(find('outlet', leg.id))} after the valve`,
  );
  return `Line drawing of ${rig.name}. ${legs.join('. ')}. Tank ${say(find('tank', null))}.`;
}
