import { afterEach, beforeEach, expect, test, vi } from 'vitest';
import type { StatusMessage, ToRecorder } from '../../daemon/recorder/messages.ts';
import type { EventStore } from '../../daemon/server/event-store.ts';
import { ServerSession } from '../../daemon/server/session.ts';
import type { Ingested } from '../../daemon/server/take-in.ts';
import type { LiveMessage } from '../../daemon/web/wire.ts';
import { FakeLibrary } from '../support/fake-library.ts';
import { swing } from '../support/synthetic-event.ts';
import { syntheticConfig } from '../support/synthetic-rig.ts';

const status: StatusMessage = {
  kind: 'status',
  time_s: 1,
  phase: 'waiting',
  tripIn_s: null,
  lines: [],
  counters: {},
};

const library = new FakeLibrary();
/** What the store is asked to take in; each test decides how it ends. */
let asked: { resolve: (ingested: Ingested | null) => void; reject: (why: Error) => void } | null = null;
const store = {
  list: () => [],
  get: () => null,
  trace: () => null,
  scan: async () => undefined,
  unjudged: () => [],
  close: async () => undefined,
  ingest: () =>
    new Promise<Ingested | null>((resolve, reject) => {
      asked = { resolve, reject };
    }),
} as unknown as EventStore;

let session: ServerSession;
let socket: WebSocket;
/** What a page is told, in order: phases and events. */
let told: string[];

beforeEach(async () => {
  told = [];
  asked = null;
  const answers: ToRecorder[] = [];
  session = new ServerSession({
    openStore: () => store,
    answer: (message) => answers.push(message),
    dashboardFolder: null,
    log: () => undefined,
  });
  await session.receive({
    kind: 'hello',
    config: syntheticConfig,
    software: 's',
    boot: 'b',
    anchor: { time_s: 0, wall_ms: Date.now() },
  });
  await session.receive(status);
  const ready = answers.find((message) => message.kind === 'ready');
  socket = new WebSocket(`ws://127.0.0.1:${ready?.port}/api/live`);
  socket.onmessage = ({ data }) => {
    const message = JSON.parse(String(data)) as LiveMessage;
    if (message.kind === 'status') told.push(message.status.phase);
    if (message.kind === 'event') told.push(message.event.id);
  };
  await vi.waitFor(() => expect(told).toEqual(['waiting']), 20_000);
});
afterEach(async () => {
  socket.close();
  await session.stop();
});

test('a page is told that an event is being analysed, then its verdict, then that it is over', async () => {
  const done = session.receive({ kind: 'event-closed', event: 'e1', folder: '', closed_s: 1 });
  await vi.waitFor(() => expect(told).toEqual(['waiting', 'analysing']), 20_000);
  await session.receive(status);
  await vi.waitFor(() => expect(told).toEqual(['waiting', 'analysing', 'analysing']), 20_000);
  const row = library.add('e1', 0, swing);
  asked?.resolve({ row, folder: '', file: null, trouble: null, isNew: false } as Ingested);
  await done;
  await vi.waitFor(
    () => expect(told).toEqual(['waiting', 'analysing', 'analysing', 'e1', 'waiting']),
    20_000,
  );
});

test('an event that cannot be taken in does not stay in analysis', async () => {
  const done = session.receive({ kind: 'event-closed', event: 'e2', folder: '', closed_s: 1 });
  await vi.waitFor(() => expect(told).toEqual(['waiting', 'analysing']), 20_000);
  asked?.reject(new Error("disk full, write '/srv/rig/data/tripwave.db'"));
  await done;
  await vi.waitFor(() => expect(told).toEqual(['waiting', 'analysing', 'waiting']), 20_000);
  // A page is for everybody who may look: where the data lies is not.
  expect(session.state.view({}).troubles[0]?.what).toContain("disk full, write 'tripwave.db'");
});

test('while an index of years is made anew no second scan begins, and the pages are told of a recorder that is gone', async () => {
  let scans = 0;
  const scanned = Promise.withResolvers<void>();
  const scan = () => {
    scans++;
    return scanned.promise;
  };
  const rebuilt = new ServerSession({
    openStore: () => ({ ...store, scan }) as EventStore,
    answer: () => undefined,
    dashboardFolder: null,
    log: () => undefined,
  });
  vi.useFakeTimers({ toFake: ['setInterval', 'clearInterval', 'Date'] });
  try {
    const anchor = { time_s: 0, wall_ms: Date.now() };
    const hello = rebuilt.receive({
      kind: 'hello',
      config: syntheticConfig,
      software: 's',
      boot: 'b',
      anchor,
    });
    await vi.waitFor(() => expect(scans).toBe(1), 20_000);
    await rebuilt.receive(status);
    const phases: string[] = [];
    rebuilt.hub.message = (message: LiveMessage) => {
      if (message.kind === 'status') phases.push(message.status.phase);
    };
    vi.advanceTimersByTime(60_000);
    expect(phases.at(-1)).toBe('recorder-gone');
    expect(scans).toBe(1);
    scanned.resolve();
    await hello;
  } finally {
    vi.useRealTimers();
    await rebuilt.stop();
  }
});

test.each([
  ['127.0.0.1', undefined],
  // Loopback for the system, and not by our rule, so that no other machine is let in here.
  ['::ffff:127.0.0.1', '::ffff:127.0.0.1'],
])('served on %s every page and the log say whether the network is open', async (host, openNetwork) => {
  const said: string[] = [];
  const second = new ServerSession({
    openStore: () => store,
    answer: () => undefined,
    dashboardFolder: null,
    log: (text) => said.push(text),
  });
  const config = { ...syntheticConfig, server: { host, port: 0, isOpenNetwork: true } };
  const anchor = { time_s: 0, wall_ms: Date.now() };
  await second.receive({ kind: 'hello', config, software: 's', boot: 'b', anchor });
  expect(second.state.view({}).openNetwork).toBe(openNetwork);
  expect(said.filter((text) => text.startsWith('OPEN NETWORK'))).toHaveLength(
    openNetwork === undefined ? 0 : 1,
  );
  await second.stop();
});
