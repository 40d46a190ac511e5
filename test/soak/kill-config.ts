/** The rig whose converter is killed: one line with the columns of a soak's stream, trips by contact. */
import type { RigConfig } from '../../config/rig.ts';
import { recorderRig } from '../support/recorder-rig.ts';
import { type StreamLine, streamChannel } from './lines.ts';
import { streamColumns } from './values.ts';

export const killedLine: StreamLine = {
  kind: 'stream',
  id: 'stream',
  transport: 'pty',
  rate_Hz: 5000,
  salt: 5,
};

/** The same converter of a rig that trips every 8 s: runs for 5 s, stands for 3 s. */
export const trippingLine: StreamLine = {
  ...killedLine,
  cycle: { every_scans: 40_000, running_scans: 25_000 },
};

/** `port`: name of the pseudo-terminal. */
export function killedRigConfig(dataFolder: string, port: string): RigConfig {
  const base = recorderRig({ dataFolder });
  const { id, rate_Hz } = killedLine;
  return {
    ...base,
    channels: streamColumns.map((column) => ({
      ...base.channels[column === 'pressure' ? 0 : 3]!,
      id: streamChannel(id, column),
      line: id,
      ...(column === 'pressure' ? { scale: 100, range: [-1e7, 1e7] as const } : {}),
    })),
    lines: [
      {
        driver: 'serial-frames',
        id,
        link: { kind: 'serial', path: port, baud: 921_600, dataBits: 8, parity: 'none', stopBits: 1 },
        framing: { kind: 'binary' },
        rate_Hz,
        delay_s: 0,
        channels: streamColumns.map((column, index) => ({
          id: streamChannel(id, column),
          source: column === 'contact' ? ('digital' as const) : ('analog' as const),
          index: column === 'contact' ? 0 : index,
        })),
      },
    ],
    legs: base.legs.map((leg) => ({
      ...leg,
      outlet: { channel: streamChannel(id, 'pressure'), distance_m: 0.3 },
      meter: null,
    })),
    trip: {
      contact: { channel: streamChannel(id, 'contact'), runningLevel: 1, delay_s: [0, 0] },
      pressureSwitch: null,
      detected: false,
      tank: null,
    },
    windows: { before_s: 0.5, afterSeating_s: 1, withoutSeating_s: 1.5, history_s: 6 },
  };
}
