/** The unit that each quantity is kept and reported in. */
import type { QuantityKind } from './rig.ts';

/** SI unit of each quantity, as `ChannelConfig.unit` spells it. Pressure is gauge. */
export const siUnit: Readonly<Record<QuantityKind, string>> = {
  pressure: 'Pa',
  velocity: 'm/s',
  flow: 'm3/s',
  level: 'm',
  temperature: 'K',
  speed: 'rad/s',
  position: '1',
  state: '1',
};
