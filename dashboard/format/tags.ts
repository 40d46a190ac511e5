/** ISA-5.1 identification: letters by quantity, loop number by place (leg 1 = 1xx, leg 2 = 2xx, common = 9xx). */
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

/** Tag of a channel; unique as long as a leg has fewer than 90 unnamed channels. */
export function tagOf(channel: ChannelView, rig: RigView): Tag {
  const leg = rig.legs.findIndex(({ id }) => id === channel.leg);
  const hundred = leg < 0 ? 900 : (leg + 1) * 100;
  const others = rig.channels.filter(({ role, leg: of }) => role === 'other' && of === channel.leg);
  const place = places[channel.role] + (channel.role === 'other' ? others.indexOf(channel) : 0);
  const isSwitch = channel.role === 'pressure-switch';
  return { letters: isSwitch ? 'PSH' : (letters[channel.quantity] ?? 'XT'), loop: String(hundred + place) };
}
