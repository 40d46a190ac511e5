/** What a leg's verdict and trace put into the picture of that second. */
import type { EventView, LegVerdict, RigView, TraceView } from '../../daemon/web/wire.ts';
import type { Instant } from '../plot/marks.ts';
import type { LineRole } from '../plot/palette.ts';
import type { PressureLine, SecondContent } from '../plot/second-figure.ts';

/** Pressure channels in the order in which they are drawn: the outlet last, on top. */
const drawn: readonly LineRole[] = ['tank', 'mid', 'inlet', 'outlet'];

export interface SecondChannel {
  readonly id: string;
  readonly role: LineRole | 'meter';
  readonly bore_m: number;
}

/** Channels of a leg that the picture needs, by role. */
export function channelsOf(rig: RigView, leg: string): SecondChannel[] {
  const bore_m = rig.legs.find(({ id }) => id === leg)?.bore_m ?? 1;
  return rig.channels.flatMap((channel): SecondChannel[] => {
    const isHere = channel.leg === leg || (channel.leg === null && channel.role === 'tank');
    if (!isHere) return [];
    if (channel.role === 'meter') return [{ id: channel.id, role: 'meter', bore_m }];
    const role = drawn.find((name) => name === channel.role);
    return role !== undefined && channel.quantity === 'pressure' ? [{ id: channel.id, role, bore_m }] : [];
  });
}

/** T, R and S with their intervals, as far as they are known. */
export function instantsOf({ results }: LegVerdict): Instant[] {
  const { trip, reversal, seating } = results;
  const instants: Instant[] = [];
  if (trip.value !== null) {
    instants.push({ letter: 'T', at_s: 0, low_s: trip.low - trip.value, high_s: trip.high - trip.value });
  }
  if (reversal.value !== null) {
    instants.push({ letter: 'R', at_s: reversal.value, low_s: reversal.low, high_s: reversal.high });
  }
  if (seating.value !== null) {
    instants.push({ letter: 'S', at_s: seating.value, low_s: seating.low, high_s: seating.high });
  }
  return instants;
}

/** A flow meter's slices as velocity in the leg's bore. */
function asVelocity(
  channel: TraceView['channels'][number],
  rig: RigView,
  bore_m: number,
): TraceView['channels'][number] {
  const isFlow = rig.channels.find(({ id }) => id === channel.id)?.quantity === 'flow';
  if (!isFlow) return channel;
  const perArea = 4 / (Math.PI * bore_m ** 2);
  const scaled = (value: number | null): number | null => (value === null ? null : value * perArea);
  return { ...channel, min: channel.min.map(scaled), max: channel.max.map(scaled) };
}

export function secondContent(
  event: EventView,
  leg: LegVerdict,
  trace: TraceView,
  window: SecondContent['window'],
): SecondContent {
  const { rig } = event;
  const channels = channelsOf(rig, leg.leg);
  const pressures: PressureLine[] = drawn.flatMap((role) =>
    channels
      .filter((channel) => channel.role === role)
      .flatMap(({ id }) =>
        trace.channels.filter((channel) => channel.id === id).map((channel) => ({ role, channel })),
      ),
  );
  const meterChannel = channels.find(({ role }) => role === 'meter');
  const meter = trace.channels.find(({ id }) => id === meterChannel?.id);
  const { staticAfter } = leg.results;
  return {
    pressures,
    meter:
      meter === undefined || meterChannel === undefined ? null : asVelocity(meter, rig, meterChannel.bore_m),
    velocity: leg.velocity,
    instants: instantsOf(leg),
    staticAfter: staticAfter.value === null ? null : staticAfter,
    rating_Pa: rig.legs.find(({ id }) => id === leg.leg)?.rating_Pa ?? null,
    window,
  };
}

/** What the line key has to name: the outlet first, the velocity only where it could be followed. */
export function rolesOf(content: SecondContent): LineRole[] {
  const roles = content.pressures.map(({ role }) => role).reverse();
  return content.velocity.time_s.length > 0 ? [...roles, 'velocity'] : roles;
}
