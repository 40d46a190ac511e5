import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { afterEach, beforeEach, expect, test, vi } from 'vitest';
import { type Recorder, startRecorder } from '../../daemon/recorder/recorder.ts';
import { openEventStore } from '../../daemon/server/event-store.ts';
import { listEvents } from '../../daemon/store/event-folder.ts';
import { countingAnalyse, temporaryFolder } from '../support/event-builder.ts';
import { pushedLine } from '../support/pushed-line.ts';
import { PushedDriver, recorderRig } from '../support/recorder-rig.ts';
import { silentLog } from '../support/silent-log.ts';
import { feedInterval_s, TripFeed } from '../support/trip-feed.ts';

const serverModule = new URL('../support/store-server.ts', import.meta.url).pathname;

let folder: ReturnType<typeof temporaryFolder>;
let recorder: Recorder | null = null;
beforeEach(() => {
  folder = temporaryFolder();
});
afterEach(async () => {
  delete process.env['TEST_SERVER'];
  await recorder?.stop();
  recorder = null;
  folder.remove();
});

async function start(
  module: string | null = serverModule,
): Promise<{ feed: TripFeed; closed: string[]; ready: () => number }> {
  const driver = new PushedDriver(feedInterval_s);
  const config = { ...recorderRig({ dataFolder: folder.path }), lines: [pushedLine] };
  recorder = await startRecorder(config, {
    serverModule: module,
    createDriver: () => driver,
    log: silentLog(),
  });
  const closed: string[] = [];
  let readies = 0;
  recorder.on('event-closed', ({ event }) => closed.push(event));
  recorder.on('ready', () => {
    readies++;
  });
  return { feed: new TripFeed(driver), closed, ready: () => readies };
}

function counter(name: string): number {
  return recorder?.status().counters[name] ?? -1;
}

function serverPid(): number {
  return Number(readFileSync(join(folder.path, 'server.pid'), 'utf8'));
}

const patient = { timeout: 60_000, interval: 5 };

test('a server killed again and again in mid-event loses nothing', async () => {
  const { feed, closed, ready } = await start();
  for (let round = 1; round <= 6; round++) {
    await vi.waitFor(() => expect(ready()).toBe(round), patient);
    // Half of the trip, the kill, the other half.
    feed.push(3.2);
    process.kill(serverPid(), 'SIGKILL');
    feed.push(3.8);
    await vi.waitFor(() => expect(closed.length).toBe(round), patient);
  }
  await vi.waitFor(() => expect(ready()).toBe(7), patient);
  await recorder?.stop();
  expect(await listEvents(folder.path)).toEqual([...closed].sort());
  const ingest = openEventStore({ dataFolder: folder.path, software: 'test', analyse: countingAnalyse });
  await ingest.scan();
  const rows = ingest.list({ before: null, limit: 100 });
  expect(rows.map((row) => row.id).sort()).toEqual([...closed].sort());
  // Judged once each, however often the server died.
  expect(rows.map((row) => row.verdict?.revision)).toEqual(rows.map(() => 1));
  await ingest.close();
});

test('a server that crashes at its start is started again and again, and the recorder records', async () => {
  process.env['TEST_SERVER'] = 'crashes';
  const { feed, closed } = await start();
  feed.pushTrip();
  await vi.waitFor(() => expect(closed.length).toBe(1), patient);
  await vi.waitFor(() => expect(counter('serverStarts')).toBeGreaterThanOrEqual(3), patient);
  delete process.env['TEST_SERVER'];
  const verdicts: string[] = [];
  recorder?.on('verdict', ({ event }) => verdicts.push(event));
  await vi.waitFor(() => expect(verdicts).toEqual(closed), patient);
});

test('a stopped server costs summaries, each counted, and never more than a few messages in the channel', async () => {
  const { feed, closed, ready } = await start();
  await vi.waitFor(() => expect(ready()).toBe(1), patient);
  const pid = serverPid();
  process.kill(pid, 'SIGSTOP');
  try {
    feed.pushTrip();
    await vi.waitFor(() => expect(closed.length).toBe(1), patient);
    const sent = counter('summariesSent');
    const dropped = counter('summariesDropped');
    for (let trip = 0; trip < 40; trip++) feed.pushTrip();
    await vi.waitFor(() => expect(closed.length).toBe(41), patient);
    expect(counter('summariesSent') - sent).toBeLessThanOrEqual(4);
    // 40 trips of 7 s with 20 summaries a second.
    expect(counter('summariesSent') + counter('summariesDropped') - sent - dropped).toBe(40 * 7 * 20);
    expect(counter('hintsDropped')).toBeGreaterThan(0);
  } finally {
    process.kill(pid, 'SIGCONT');
  }
  // What the hints did not say is found at the next start of the server.
  const verdicts = new Set<string>();
  recorder?.on('verdict', ({ event }) => verdicts.add(event));
  process.kill(pid, 'SIGKILL');
  await vi.waitFor(() => expect(ready()).toBe(2), patient);
  await recorder?.stop();
  const ingest = openEventStore({ dataFolder: folder.path, software: 'test', analyse: countingAnalyse });
  await ingest.scan();
  expect(ingest.list({ before: null, limit: 100 })).toHaveLength(41);
  await ingest.close();
});

test('stopping in mid-event keeps the event as truncated, with what there was', async () => {
  const { feed, closed } = await start(null);
  feed.push(3.3);
  await recorder?.stop();
  expect(closed).toHaveLength(1);
  const ingest = openEventStore({ dataFolder: folder.path, software: 'test', analyse: countingAnalyse });
  await ingest.scan();
  const [row] = ingest.list({ before: null, limit: 1 });
  expect(row.closedBecause).toBe('truncated');
  expect(row.verdict?.reason).toMatch(/\d+ samples/);
  await ingest.close();
});

test('a second recorder on the same data folder is refused in words', async () => {
  await start(null);
  const config = { ...recorderRig({ dataFolder: folder.path }), lines: [] };
  const second = startRecorder(config, {
    serverModule: null,
    createDriver: () => new PushedDriver(feedInterval_s),
    log: silentLog(),
  });
  await expect(second).rejects.toThrow(/another recorder writes into/);
});
