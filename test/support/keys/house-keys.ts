/** Keys of folders, disk and server: the value arrives, and what it does there. */
import { expect } from 'vitest';
import type { RigConfig } from '../../../config/rig.ts';
import { lowSpace_bytes, ringQuota_bytes } from '../../../daemon/store/retention.ts';
import { keptQuota_bytes } from '../../../daemon/store/trace-keeper.ts';
import { read } from './key-record.ts';
import { type KeyRow, rowElsewhere } from './key-row.ts';

const space = { free_bytes: 1e12, total_bytes: 2e12 };

function withSection(section: string): RigConfig {
  const { config, lines } = read(['trip:\n', `${section}\ntrip:\n`]);
  if (config === null) throw new Error(lines.join('\n'));
  return config;
}

const disk = (keys: string) => withSection(`disk: { ${keys} }`).disk!;
const retention = 'unit/store/retention.test.ts';
const day_s = 86_400;

export const houseKeys: readonly KeyRow[] = [
  rowElsewhere(
    'dataFolder',
    'where events lie',
    () => expect(withSection('dataFolder: other/place').dataFolder).toBe('other/place'),
    [
      'integration/calibration-in-events.test.ts',
      'an event carries the calibration that held, and nothing that could be applied again',
    ],
  ),
  rowElsewhere(
    'disk.ring.age',
    'older hours are removed',
    () => expect(disk('ring: { age: 2 d }').ring.age_s).toBe(2 * day_s),
    [retention, 'loses hours that are too old'],
  ),
  rowElsewhere(
    'disk.ring.size',
    'the oldest hours beyond it are removed',
    () => {
      expect(ringQuota_bytes(disk('ring: { size: 3 GB }'), space)).toBe(3e9);
    },
    [retention, 'loses its oldest hours beyond the size'],
  ),
  rowElsewhere(
    'disk.routineTraces.age',
    'younger ones count as not accepted',
    () => {
      expect(disk('routineTraces: { age: 7 d }').routineTraces.age_s).toBe(7 * day_s);
    },
    [
      retention,
      'low space takes the traces of accepted routine events; they still list, show their verdict and say so',
    ],
  ),
  rowElsewhere(
    'disk.routineTraces.size',
    'traces of accepted events beyond it are removed',
    () => expect(disk('routineTraces: { size: 20 MB }').routineTraces.size_bytes).toBe(2e7),
    [retention, 'accepted routine events beyond their quota lose their samples, oldest first'],
  ),
  rowElsewhere(
    'disk.keptWindows.age',
    'younger ones stay',
    () => expect(disk('keptWindows: { age: 3 d }').keptWindows.age_s).toBe(3 * day_s),
    [
      'integration/kept-windows.test.ts',
      'kept windows beyond their quota lose their samples, oldest first; the youngest day of them and own trips never',
    ],
  ),
  rowElsewhere(
    'disk.keptWindows.size',
    'older ones beyond it are removed',
    () => expect(keptQuota_bytes(disk('keptWindows: { size: 20 MB }'), space)).toBe(2e7),
    [
      'integration/kept-windows.test.ts',
      'kept windows beyond their quota lose their samples, oldest first; the youngest day of them and own trips never',
    ],
  ),
  rowElsewhere(
    'disk.torn.age',
    'older ones are removed',
    () => expect(disk('torn: { age: 5 d }').torn.age_s).toBe(5 * day_s),
    [retention, 'unfinished events go after their time'],
  ),
  rowElsewhere(
    'disk.lowSpace',
    'with less free, the ring is shortened',
    () => expect(lowSpace_bytes(disk('lowSpace: 7 GB'), space)).toBe(7e9),
    [retention, 'gives way to low space as far as it must, but never what is being written'],
  ),
  rowElsewhere(
    'server.host',
    'another address than this machine is refused without `openNetwork`',
    () => {
      expect(withSection("server: { host: '::1' }").server.host).toBe('::1');
      expect(() => withSection('server: { host: 0.0.0.0 }')).toThrow('server.host');
    },
    [
      'integration/web-session.test.ts',
      'served on %s every page and the log say whether the network is open',
    ],
  ),
  rowElsewhere(
    'server.port',
    'where the page is served',
    () => expect(withSection('server: { port: 8123 }').server.port).toBe(8123),
    [
      'fault/port-taken.test.ts',
      'with the port held by another program trips are recorded and judged, and the page comes when it is free',
    ],
  ),
  rowElsewhere(
    'server.openNetwork',
    'every page says that the network is open',
    () => {
      const words = "'no users, closed test network'";
      expect(withSection(`server: { host: 0.0.0.0, openNetwork: ${words} }`).server.isOpenNetwork).toBe(true);
    },
    [
      'integration/web-session.test.ts',
      'served on %s every page and the log say whether the network is open',
    ],
  ),
];
