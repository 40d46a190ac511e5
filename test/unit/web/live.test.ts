import { expect, test } from 'vitest';
import type { Summary } from '../../../daemon/recorder/messages.ts';
import { closeOver_bytes, LiveHub, type LiveSocket, skipOver_bytes } from '../../../daemon/web/live.ts';
import { encodeSummary } from '../../../daemon/web/views.ts';
import type { LiveMessage } from '../../../daemon/web/wire.ts';

function summary(sequence: number, channels = 2): Summary {
  const values = Float64Array.from({ length: 4 * channels }, (_, index) => index + 0.5);
  const counts = new Uint32Array(channels);
  const flags = new Uint8Array(channels);
  const time_s = sequence * 0.05;
  return { kind: 'summary', sequence, time_s, period_s: 0.05, values, counts, flags, droppedBefore: 3 };
}

class FakeSocket implements LiveSocket {
  bufferedAmount = 0;
  sent: (string | Uint8Array)[] = [];
  closed: { code: number; reason: string } | null = null;

  send(data: string | Uint8Array): void {
    this.sent.push(data);
  }

  close(code: number, reason: string): void {
    this.closed = { code, reason };
  }
}

const trip: LiveMessage = { kind: 'trip', event: 'e', source: 'contact', time_s: 1 };
const status: LiveMessage = {
  kind: 'status',
  status: { phase: 'running', tripIn_s: null, lines: [], counters: {}, troubles: [] },
};

test('a frame is laid out as wire.ts says, little-endian', () => {
  const message = { ...summary(7), values: Float64Array.of(1, 2, 1.5, 1.25, Number.NaN, -3, 0, 4) };
  const frame = encodeSummary(message);
  const view = new DataView(frame.buffer, frame.byteOffset);
  expect(frame.byteLength).toBe(32 + 4 * 4 * 2);
  expect([0, 8, 16, 24].map((at) => view.getFloat64(at, true))).toEqual([7, 7 * 0.05, 0.05, 3]);
  expect([0, 1, 2, 3, 5].map((index) => view.getFloat32(32 + 4 * index, true))).toEqual([
    1, 2, 1.5, 1.25, -3,
  ]);
  expect(view.getFloat32(32 + 4 * 4, true)).toBeNaN();
});

test('a viewer that reads too slowly is skipped and counted, the other one is not', () => {
  const hub = new LiveHub();
  const slow = new FakeSocket();
  const quick = new FakeSocket();
  hub.add(slow, []);
  hub.add(quick, []);
  slow.bufferedAmount = skipOver_bytes;
  hub.summary(summary(1));
  hub.message(status);
  expect(slow.sent).toHaveLength(0);
  expect(quick.sent).toHaveLength(2);
  expect(hub.counters).toMatchObject({ framesSkipped: 2, framesSent: 2 });
  expect([hub.framesSkippedFor(slow), hub.framesSkippedFor(quick)]).toEqual([2, 0]);
  slow.bufferedAmount = 0;
  hub.summary(summary(2));
  expect(slow.sent).toHaveLength(1);
});

test('trips and events reach a slow viewer all the same', () => {
  const hub = new LiveHub();
  const slow = new FakeSocket();
  hub.add(slow, []);
  slow.bufferedAmount = closeOver_bytes;
  hub.message(trip);
  expect(slow.sent).toEqual([JSON.stringify(trip)]);
});

test.each([
  ['a frame', (hub: LiveHub) => hub.summary(summary(1))],
  ['an event', (hub: LiveHub) => hub.message(trip)],
])('a hopeless viewer is closed at %s, counted, and forgotten', (_name, send) => {
  const hub = new LiveHub();
  const hopeless = new FakeSocket();
  hub.add(hopeless, []);
  hopeless.bufferedAmount = closeOver_bytes + 1;
  send(hub);
  send(hub);
  expect(hopeless.closed?.code).toBe(1013);
  expect(hopeless.sent).toHaveLength(0);
  expect(hub.counters.viewersClosed).toBe(1);
  expect(hub.viewers).toBe(0);
});

test('a new viewer gets a greeting and the last 30 s, oldest first, within a limit of bytes', () => {
  const hub = new LiveHub();
  for (let sequence = 0; sequence < 1000; sequence++) hub.summary(summary(sequence));
  const late = new FakeSocket();
  hub.add(late, [status]);
  const [greeting, ...frames] = late.sent;
  expect(greeting).toBe(JSON.stringify(status));
  const sequences = frames.map((frame) => new DataView((frame as Uint8Array).buffer).getFloat64(0, true));
  expect(sequences[0]).toBe(999 - 600);
  expect(sequences.at(-1)).toBe(999);

  const wide = new LiveHub();
  for (let sequence = 0; sequence < 600; sequence++) wide.summary(summary(sequence, 100));
  const viewer = new FakeSocket();
  wide.add(viewer, []);
  const bytes = viewer.sent.reduce((sum, frame) => sum + (frame as Uint8Array).byteLength, 0);
  expect(bytes).toBeLessThan(skipOver_bytes);
  expect(viewer.sent.length).toBeGreaterThan(100);

  hub.clearHistory();
  const afterwards = new FakeSocket();
  hub.add(afterwards, []);
  expect(afterwards.sent).toEqual([]);
});
