import { once } from 'node:events';
import { request } from 'node:http';
import type { Socket } from 'node:net';
import { setImmediate as nextTurn } from 'node:timers/promises';
import { afterEach, beforeEach, expect, test, vi } from 'vitest';
import type { Summary } from '../../daemon/recorder/messages.ts';
import { type FakeServer, startFakeServer } from '../support/fake-server.ts';
import { syntheticConfig } from '../support/synthetic-rig.ts';

let server: FakeServer;
beforeEach(async () => {
  server = await startFakeServer(0, { dashboardFolder: null });
});
afterEach(() => server.close());

/** Asks for an upgrade with just these headers; the status, and the socket where it was granted. */
function upgrade(
  headers: Record<string, string>,
  path = '/api/live',
): Promise<{ status: number; socket: Socket | null }> {
  return new Promise((resolve, reject) => {
    const asked = request(`${server.url}${path}`, {
      headers: {
        connection: 'Upgrade',
        upgrade: 'websocket',
        'sec-websocket-version': '13',
        'sec-websocket-key': Buffer.alloc(16).toString('base64'),
        ...headers,
      },
    });
    asked.on('upgrade', (_response, socket) => resolve({ status: 101, socket: socket as Socket }));
    asked.on('response', (response) => {
      response.resume();
      resolve({ status: response.statusCode ?? 0, socket: null });
    });
    asked.on('error', reject);
    asked.end();
  });
}

test.each([
  ['another site', { origin: 'http://other.example' }],
  ['another port of this machine', { origin: 'http://127.0.0.1:1' }],
  ['an opaque origin', { origin: 'null' }],
  ['a foreign host without an origin', { host: 'rebound.example' }],
  [
    'a foreign host that agrees with its origin',
    { host: 'rebound.example', origin: 'http://rebound.example' },
  ],
])('an upgrade from %s is refused and opens no viewer', async (_name, headers) => {
  expect((await upgrade(headers as Record<string, string>)).status).toBe(403);
  expect(server.hub.viewers).toBe(0);
});

test('an upgrade where there is nothing to upgrade is answered and its socket let go', async () => {
  const { status } = await upgrade({}, '/api/status');
  expect(status).toBeGreaterThanOrEqual(400);
});

test('this page, and a program that sends no origin, may look on', async () => {
  const { host } = new URL(server.url);
  for (const headers of [{ origin: `http://${host}` }, {}]) {
    const { status, socket } = await upgrade(headers as Record<string, string>);
    expect(status).toBe(101);
    socket?.destroy();
  }
  await vi.waitFor(() => expect(server.hub.viewers).toBe(0), 20_000);
  expect(server.hub.counters.viewersOpened).toBe(2);
});

test('a viewer is greeted with the state, gets the history, then frames, trips and events', async () => {
  server.advance(40);
  const viewer = new WebSocket(`${server.url.replace('http', 'ws')}/api/live`);
  viewer.binaryType = 'arraybuffer';
  const texts: { kind: string; event?: { verdict: { legs: { velocity: { time_s: number[] } }[] } } }[] = [];
  const frames: ArrayBuffer[] = [];
  viewer.onmessage = ({ data }) => {
    if (typeof data === 'string') texts.push(JSON.parse(data));
    else frames.push(data as ArrayBuffer);
  };
  await vi.waitFor(() => expect(frames.length).toBe(40), 20_000);
  expect(texts[0]?.kind).toBe('status');
  const channels = syntheticConfig.channels.length;
  expect(frames[0]?.byteLength).toBe(32 + 16 * channels);
  // Past the trip of the first cycle, at 14.6 s, and the end of its event 3 s later.
  server.advance(330);
  await vi.waitFor(() => expect(texts.map(({ kind }) => kind)).toContain('event'), 20_000);
  expect(texts.map(({ kind }) => kind)).toContain('trip');
  const event = texts.find(({ kind }) => kind === 'event')?.event;
  expect(event?.verdict.legs[0]?.velocity.time_s).toEqual([]);
  await vi.waitFor(() => expect(frames.length).toBe(370), 20_000);
  const sequences = frames.map((frame) => new DataView(frame).getFloat64(0, true));
  expect(sequences).toEqual(Array.from({ length: 370 }, (_, index) => index));
  viewer.close();
});

test('a viewer that stops reading is skipped and counted while another one misses nothing', async () => {
  const { socket } = await upgrade({});
  socket?.pause();
  const quick = new WebSocket(`${server.url.replace('http', 'ws')}/api/live`);
  let received = 0;
  quick.binaryType = 'arraybuffer';
  quick.onmessage = ({ data }) => {
    if (typeof data !== 'string') received++;
  };
  await vi.waitFor(() => expect(server.hub.viewers).toBe(2), 20_000);
  const wide: Omit<Summary, 'sequence'> = {
    kind: 'summary',
    time_s: 0,
    period_s: 0.05,
    values: new Float64Array(8000),
    counts: new Uint32Array(2000),
    flags: new Uint8Array(2000),
    droppedBefore: 0,
  };
  let sent = 0;
  // The kernel takes some megabytes before the server notices that nobody reads.
  while (server.hub.counters.framesSkipped < 50 && sent < 5000) {
    server.hub.summary({ ...wide, sequence: sent++ });
    // The quick viewer lives in this process: it is given its turn.
    while (received < sent) await nextTurn();
  }
  expect(server.hub.counters.framesSkipped).toBeGreaterThanOrEqual(50);
  expect(received).toBe(sent);
  expect(server.hub.counters.viewersClosed).toBe(0);
  const status = await (await fetch(`${server.url}/api/status`)).json();
  expect(status.counters.framesSkipped).toBe(server.hub.counters.framesSkipped);
  socket?.destroy();
  quick.close();
});

test('a viewer that talks too much is shut out without harm to the others', async () => {
  const loud = new WebSocket(`${server.url.replace('http', 'ws')}/api/live`);
  await once(loud, 'open');
  loud.send('x'.repeat(100_000));
  await once(loud, 'close');
  await vi.waitFor(() => expect(server.hub.viewers).toBe(0), 20_000);
  expect((await fetch(`${server.url}/healthz`)).status).toBe(200);
});
