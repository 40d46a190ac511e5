import { expect, it } from 'vitest';
import type { LineStatus } from '../../../daemon/web/wire.ts';
import { budgetRows, linkSentence } from '../../../dashboard/format/line-words.ts';
import { clockTime } from '../../../dashboard/format/time.ts';

const line: LineStatus = {
  line: 'bus',
  driver: 'modbus',
  link: { state: 'absent', since_s: 10, why: '/dev/x is not there: plug the adapter in.', nextTry_s: 14 },
  counters: { slotsDelayed: 2 },
  readings: { drift_ppm: -31.46, halfWidth_ms: 0.512 },
  budget: { carried_Hz: 1570.2, asked_Hz: 800, reached_Hz: 799.6, samplesLost: 3, span_s: 10 },
};
const wallOf = (time_s: number): number => 1_700_000_000_000 + time_s * 1000;

it('says since when, why, and when a line is tried again', () => {
  expect(linkSentence(line, wallOf)).toBe(
    `No device since ${clockTime(wallOf(10))}. /dev/x is not there: plug the adapter in. Next try at ${clockTime(wallOf(14))}.`,
  );
  const open: LineStatus = { ...line, link: { state: 'open', since_s: 10, why: '' } };
  expect(linkSentence(open, wallOf)).toBe(`Open since ${clockTime(wallOf(10))}.`);
  const silentDevices = [{ id: 'meter', since_s: 20, nextTry_s: 30 }];
  expect(linkSentence({ ...open, silentDevices }, wallOf)).toBe(
    `Open since ${clockTime(wallOf(10))}. meter has not answered since ${clockTime(wallOf(20))}; next try at ${clockTime(wallOf(30))}.`,
  );
});

it('gives the account of a line, and no more than is known', () => {
  expect(budgetRows(line)).toEqual([
    ['the wire could carry', '1570 samples/s'],
    ['the plan needs', '800 samples/s'],
    ['reached, last 10\u202fs', '800 samples/s'],
    ['lost, last 10\u202fs', '3'],
    ['polls one slot late, since start', '2'],
    ['clock of the device', '31.5\u202fppm fast'],
    ['instants known to', '\u00b10.51\u202fms'],
  ]);
  const { readings: _, budget: __, ...bare } = line;
  expect(budgetRows(bare)).toEqual([]);
});
