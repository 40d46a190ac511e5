import { expect, test } from 'vitest';
import type { Summary } from '../../../daemon/recorder/messages.ts';
import { encodeSummary } from '../../../daemon/web/views.ts';
import { decodeFrame, type Frame, FrameRing } from '../../../dashboard/state/ring.ts';

function frame(sequence: number, means: readonly number[]): Frame {
  const values = Float64Array.from(means.flatMap((mean) => [mean - 1, mean + 1, mean, mean]));
  const summary: Summary = {
    kind: 'summary',
    sequence,
    time_s: sequence * 0.05,
    period_s: 0.05,
    values,
    counts: new Uint32Array(means.length),
    flags: new Uint8Array(means.length),
    droppedBefore: 0,
  };
  return decodeFrame(encodeSummary(summary).buffer as ArrayBuffer)!;
}

test('a browser reads what the server wrote', () => {
  expect(frame(4, [10, 20])).toMatchObject({ sequence: 4, time_s: 0.2, period_s: 0.05, droppedBefore: 0 });
  expect([...frame(4, [10]).values]).toEqual([9, 11, 10, 10]);
});

test('what is no frame is refused', () => {
  expect(decodeFrame(new ArrayBuffer(31))).toBeNull();
  expect(decodeFrame(new ArrayBuffer(33))).toBeNull();
  expect(decodeFrame(new ArrayBuffer(32))?.values.length).toBe(0);
});

test('the ring keeps the newest and forgets the oldest', () => {
  const ring = new FrameRing(3);
  for (let sequence = 0; sequence < 5; sequence++) ring.push(frame(sequence, [sequence, 100 + sequence]));
  expect(ring.length).toBe(3);
  expect([0, 1, 2].map((index) => ring.value(index, 1, 3))).toEqual([102, 103, 104]);
  expect(ring.time_s(0)).toBeCloseTo(0.1);
  expect(ring.newest_s).toBeCloseTo(0.2);
});

test('another number of channels, or a clock that starts afresh, empties it', () => {
  const ring = new FrameRing(8);
  ring.push(frame(5, [1]));
  ring.push(frame(6, [1, 2]));
  expect(ring.length).toBe(1);
  ring.push(frame(2, [3, 4]));
  expect([ring.length, ring.value(0, 1, 3)]).toEqual([1, 4]);
});

test('a reading is the mean of the newest frames and skips periods without samples', () => {
  const ring = new FrameRing(8);
  expect(ring.recent(0, 1)).toBeNaN();
  ring.push(frame(0, [1000]));
  ring.push(frame(10, [4]));
  ring.push(frame(11, [Number.NaN]));
  ring.push(frame(12, [8]));
  expect(ring.recent(0, 0.25)).toBe(6);
  expect(ring.recent(7, 0.25)).toBeNaN();
});
