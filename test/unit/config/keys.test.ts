/** Every key of the rig file does something: a row of the table of keys changes it and sees another outcome. */
import { expect, test } from 'vitest';
import { formatFault } from '../../../config/fault.ts';
import { parseRig } from '../../../config/load.ts';
import { physics } from '../../../daemon/instruments/rig-knowledge.ts';
import { allKeys, missingTests, rowFaults } from '../../support/keys/all-keys.ts';
import { channelKeys } from '../../support/keys/channel-keys.ts';
import { houseKeys } from '../../support/keys/house-keys.ts';
import { modbusKeys } from '../../support/keys/modbus-keys.ts';
import { pipeKeys } from '../../support/keys/pipe-keys.ts';
import { schemaKeys } from '../../support/keys/schema-keys.ts';
import { streamKeys } from '../../support/keys/stream-keys.ts';
import { tripKeys } from '../../support/keys/trip-keys.ts';

/** Those of `publish` need sockets: test/integration/publish-keys.test.ts. */
const here = [...pipeKeys, ...channelKeys, ...tripKeys, ...modbusKeys, ...streamKeys, ...houseKeys];

test.each(here.map((each) => [each.key, each.shows, each] as const))(
  '%s: %s',
  async (_key, _shows, { prove }) => {
    await prove?.();
  },
);

test('every key has one row, every row a key and a test that is there', () => {
  expect(schemaKeys().length).toBeGreaterThan(180);
  expect(rowFaults(schemaKeys(), allKeys)).toEqual([]);
  expect(missingTests(allKeys)).toEqual([]);
});

test('the check of the table fails on a key without a row, a row without a key, two rows, and a test that is not there', () => {
  const [first, ...rest] = allKeys;
  expect(rowFaults(schemaKeys(), rest)).toEqual([`${first!.key} has no row`]);
  expect(rowFaults(schemaKeys().slice(1), allKeys)).toEqual([`${first!.key} is no key of the schema`]);
  expect(rowFaults(schemaKeys(), [...allKeys, first!])).toEqual([`${first!.key} has two rows`]);
  expect(rowFaults(['a'], [{ key: 'a', shows: 'nothing' }])).toEqual(['a shows its effect nowhere']);
  const gone = [{ key: 'a', shows: '', elsewhere: [['unit/config/load.test.ts', 'no such title']] as const }];
  expect(missingTests(gone)).toEqual(['a: unit/config/load.test.ts has no test "no such title"']);
  const noFile = [{ key: 'a', shows: '', elsewhere: [['unit/none.test.ts', 'x']] as const }];
  expect(missingTests(noFile)).toEqual(['a: unit/none.test.ts is not there']);
});

/** The same channel in each kind of line; the four kinds share its keys, so one row shows the effect of each. */
test('a channel is read alike in every kind of line', () => {
  const common = `id: PT-1, name: After valve, quantity: pressure, unit: bar, range: -1 to 24 bar,
    scaling: { raw: 0 to 1000, value: 0 to 10 bar }, counts: 0 to 4000, responseTime: 2 ms +- 1 ms, delay: 1 to 3 ms,
    uncertainty: 0.02 bar + 0.1 %, currentLoop: { raw: 0 to 1000, current: 0 to 20 mA },
    calibrations: [{ from: 2026-01-01, zero: { reading: 0.1 bar, reference: 0.05 bar }, repeatability: 1 mbar,
    referenceUncertainty: 2 mbar, certificate: C, due: 2027-01-01, by: AB, note: n }]`.replaceAll('\n', ' ');
  const kinds = [
    `{ id: x, driver: modbus, port: /dev/ttyS9, baud: 9600, units: [{ id: d, unit: 1, channels: [{ ${common}, register: holding 1, type: uint16 }] }] }`,
    `{ id: x, driver: modbus, port: /dev/ttyS9, baud: 9600, units: [{ id: d, unit: 1, burst: { queue: 5, rate: 100 Hz, channels: [{ ${common}, position: 0 }] } }] }`,
    `{ id: x, driver: serial-frames, port: /dev/ttyS9, baud: 9600, rate: 100 Hz, channels: [{ ${common}, analog: 0 }] }`,
    `{ id: x, driver: recording, path: x.csv, channels: [{ ${common}, column: p }] }`,
  ].map((line) => {
    const text = `rig: { name: Alike }
legs: [{ id: A, bore: 150 mm, wall: 7 mm, material: carbon steel, length: 9 m, inletLength: 3 m, valve: { id: V, type: swing, size: DN150 }, taps: { outlet: { channel: PT-1, distance: 0 m } } }]
lines: [${line}]`;
    const { config, findings } = parseRig(text, 'rig', physics);
    if (config === null) throw new Error(findings.map(formatFault).join('\n'));
    return config.channels[0];
  });
  for (const kind of kinds.slice(1)) expect(kind).toEqual(kinds[0]);
});
