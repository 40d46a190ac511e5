/** The port of a page decides nothing but whether there is a page. */
import { once } from 'node:events';
import { type AddressInfo, createServer, type Server } from 'node:net';
import { afterEach, beforeEach, expect, test, vi } from 'vitest';
import { type Recorder, startRecorder } from '../../daemon/recorder/recorder.ts';
import { progressLine } from '../../daemon/recorder/run.ts';
import { temporaryFolder } from '../support/event-builder.ts';
import { pushedLine } from '../support/pushed-line.ts';
import { PushedDriver, recorderRig } from '../support/recorder-rig.ts';
import { silentLog } from '../support/silent-log.ts';
import { feedInterval_s, TripFeed } from '../support/trip-feed.ts';

const serverModule = new URL('../../daemon/server/main.ts', import.meta.url).pathname;
const patient = { timeout: 60_000, interval: 20 };

let folder: ReturnType<typeof temporaryFolder>;
let recorder: Recorder | null = null;
let holder: Server;
beforeEach(async () => {
  folder = temporaryFolder();
  holder = createServer().listen(0, '127.0.0.1');
  await once(holder, 'listening');
});
afterEach(async () => {
  await recorder?.stop();
  recorder = null;
  holder.close();
  folder.remove();
});

test('with the port held by another program trips are recorded and judged, and the page comes when it is free', async () => {
  const { port } = holder.address() as AddressInfo;
  const driver = new PushedDriver(feedInterval_s);
  const log = silentLog();
  recorder = await startRecorder(
    { ...recorderRig({ dataFolder: folder.path }), lines: [pushedLine], server: { host: '127.0.0.1', port } },
    { serverModule, createDriver: () => driver, log },
  );
  const told: string[] = [];
  const judged: string[] = [];
  const closed: string[] = [];
  recorder.on('unbound', ({ why }) => told.push(why));
  recorder.on('ready', (ready) => told.push(`ready ${ready.port}`));
  recorder.on('event-closed', ({ event }) => closed.push(event));
  recorder.on('verdict', ({ event }) => judged.push(event));
  const feed = new TripFeed(driver);
  feed.pushTrip();
  await vi.waitFor(() => expect(told).toHaveLength(1), patient);
  const why = `Port ${port} on 127.0.0.1 is in use. Stop the program that uses it, or choose another with --port.`;
  expect(told).toEqual([why]);
  feed.pushTrip();
  await vi.waitFor(() => expect(judged).toHaveLength(2), patient);
  expect([...judged].sort()).toEqual([...closed].sort());
  expect(recorder.status().withoutPage).toBe(why);
  expect(progressLine(recorder.status(), 2)).toContain(`no dashboard: Port ${port} on 127.0.0.1 is in use`);
  expect(log.lines).toContainEqual({
    level: 'warn',
    message: 'dashboard not served yet; recording goes on',
    details: { why },
  });
  expect(recorder.status().counters['serverExits']).toBe(0);

  holder.close();
  await vi.waitFor(() => expect(told).toEqual([why, `ready ${port}`]), patient);
  expect(recorder.status().withoutPage).toBeUndefined();
  const status = await (await fetch(`http://127.0.0.1:${port}/api/status`)).json();
  expect(status.troubles.map(({ key }: { key: string }) => key)).not.toContain('page');
  const { events } = await (await fetch(`http://127.0.0.1:${port}/api/events`)).json();
  expect(events).toHaveLength(2);
});
