import { expect, test } from 'vitest';
import { LiveLane } from '../../../daemon/recorder/credits.ts';
import type { StatusMessage, ToServer } from '../../../daemon/recorder/messages.ts';

const period = {
  time_s: 1,
  values: new Float64Array(4),
  counts: new Uint32Array(1),
  flags: new Uint8Array(1),
};
const status = (time_s: number): StatusMessage => ({
  kind: 'status',
  time_s,
  phase: 'running',
  tripIn_s: null,
  lines: [],
  counters: {},
});

test('four messages go out without an answer; the next ones are dropped and the first after them says how many', () => {
  const sent: ToServer[] = [];
  const lane = new LiveLane((message) => sent.push(message) > 0);
  for (let k = 0; k < 9; k++) lane.summary(period);
  expect(sent).toHaveLength(4);
  expect(lane.isFull).toBe(true);
  expect(lane.counters).toMatchObject({ summariesSent: 4, summariesDropped: 5 });
  lane.credit(2);
  lane.summary(period);
  lane.summary(period);
  lane.summary(period);
  expect(sent.slice(4)).toMatchObject([
    { kind: 'summary', sequence: 9, droppedBefore: 5 },
    { kind: 'summary', sequence: 10, droppedBefore: 0 },
  ]);
});

test('a status without credit waits, and only the newest goes out', () => {
  const sent: ToServer[] = [];
  const lane = new LiveLane((message) => sent.push(message) > 0);
  for (let k = 0; k < 4; k++) lane.summary(period);
  lane.latest(status(1));
  lane.latest(status(2));
  expect(sent).toHaveLength(4);
  lane.credit(1);
  expect(sent.slice(4)).toMatchObject([{ kind: 'status', time_s: 2 }]);
  expect(lane.counters.statusesReplaced).toBe(1);
});

test('without a server everything is dropped and counted; a new server owes nothing', () => {
  let isThere = false;
  const sent: ToServer[] = [];
  const lane = new LiveLane((message) => isThere && sent.push(message) > 0);
  for (let k = 0; k < 3; k++) lane.summary(period);
  expect(lane.counters.summariesDropped).toBe(3);
  isThere = true;
  for (let k = 0; k < 6; k++) lane.summary(period);
  expect(sent).toHaveLength(4);
  lane.restart();
  lane.summary(period);
  expect(sent).toHaveLength(5);
});

test('more credit than was owed does not open the lane any wider', () => {
  const sent: ToServer[] = [];
  const lane = new LiveLane((message) => sent.push(message) > 0);
  lane.credit(40);
  for (let k = 0; k < 9; k++) lane.summary(period);
  expect(sent).toHaveLength(4);
});
