/** ISA-5.1 identification: as the rig file says it, else letters by quantity and a loop number by place. */
import type { ChannelView, RigView } from '../../daemon/web/wire.ts';

/** First letter: measured quantity (ISA-5.1 table 1); T: transmitter, S: switch. */
const letters: Readonly<Record<string, string>> = {
  pressure: 'PT',
  velocity: 'FT',
  flow: 'FT',
  level: 'LT',
  temperature: 'TT',
  speed: 'ST',
  position: 'ZT',
  state: 'YS',
};

const places: Readonly<Record<ChannelView['role'], number>> = {
  inlet: 1,
  outlet: 2,
  mid: 3,
  meter: 4,
  position: 5,
  tank: 1,
  'pressure-switch': 2,
  contact: 3,
  other: 10,
};

export interface Tag {
  readonly letters: string;
  readonly loop: string;
}

/** Letters and loop number of a written tag such as PT-101 or FIT201A. */
const written = /^([A-Z]{1,4})-?(\d{1,4}[A-Z]?)$/;

/**
 * The channel's own id where it reads as a tag. Else one is made: leg 1 = 1xx, leg 2 = 2xx, common = 9xx; unique as long as
 * a leg has fewer than 90 unnamed channels.
 */
export function tagOf(channel: ChannelView, rig: RigView): Tag {
  const own = written.exec(channel.id);
  if (own !== null) return { letters: own[1]!, loop: own[2]! };
  const leg = rig.legs.findIndex(({ id }) => id === channel.leg);
  const hundred = leg < 0 ? 900 : (leg + 1) * 100;
  const others = rig.channels.filter(({ role, leg: of }) => role === 'other' && of === channel.leg);
  const place = places[channel.role] + (channel.role === 'other' ? others.indexOf(channel) : 0);
  const isSwitch = channel.role === 'pressure-switch';
  return { letters: isSwitch ? 'PSH' : (letters[channel.quantity] ?? 'XT'), loop: String(hundred + place) };
}
