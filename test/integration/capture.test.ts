import { mkdirSync } from 'node:fs';
import { afterEach, beforeEach, expect, test, vi } from 'vitest';
import type { PublishConfig } from '../../config/publish.ts';
import { analyse } from '../../daemon/analysis/analyse.ts';
import { main } from '../../daemon/main.ts';
import type { Publisher } from '../../daemon/publish/publisher.ts';
import type { ToRecorder } from '../../daemon/recorder/messages.ts';
import { startRecorder } from '../../daemon/recorder/recorder.ts';
import { openEventStore } from '../../daemon/server/event-store.ts';
import { ServerSession } from '../../daemon/server/session.ts';
import type { Capture } from '../../daemon/store/capture-request.ts';
import { captureWindow, newestWindow } from '../../daemon/store/capture-window.ts';
import { listEvents } from '../../daemon/store/event-folder.ts';
import { loadEvent } from '../../daemon/store/load-record.ts';
import { tallyRing } from '../../daemon/store/ring-read.ts';
import { temporaryFolder } from '../support/event-builder.ts';
import { pushedLine } from '../support/pushed-line.ts';
import { PushedDriver, recorderRig } from '../support/recorder-rig.ts';
import { silentLog } from '../support/silent-log.ts';
import { feedInterval_s, TripFeed } from '../support/trip-feed.ts';

let folder: ReturnType<typeof temporaryFolder>;
beforeEach(() => {
  folder = temporaryFolder();
});
afterEach(() => folder.remove());

async function record(trips: number) {
  const driver = new PushedDriver(feedInterval_s);
  const config = { ...recorderRig({ dataFolder: folder.path }), lines: [pushedLine] };
  const options = { serverModule: null, createDriver: () => driver, log: silentLog() };
  const recorder = await startRecorder(config, options);
  const folders: string[] = [];
  recorder.on('event-closed', (message) => folders.push(message.folder));
  const feed = new TripFeed(driver);
  for (let k = 0; k < trips; k++) feed.pushTrip();
  return { recorder, folders };
}

test('a window that held a trip gives, beside the running recorder, the same samples and the same verdict', async () => {
  const { recorder, folders } = await record(1);
  await vi.waitFor(() => expect(recorder.status().counters['ringCommitsDone']).toBeGreaterThan(0), 40_000);
  await vi.waitFor(async () => {
    const [tally] = await tallyRing(folder.path);
    expect(tally?.scansRecorded).toBe(7 / feedInterval_s);
  }, 10_000);
  const window = await newestWindow(folder.path, 6900);
  const { folder: made, isPartial } = await captureWindow(folder.path, window);
  await recorder.stop();
  expect(isPartial).toBe(false);
  const live = await loadEvent(folders[0]!);
  const captured = await loadEvent(made);
  expect(captured.header).toMatchObject({ trip: { source: 'window' }, closedBecause: 'captured' });
  expect(captured.header.groups[0]).toMatchObject({ scansLost: 0 });
  // Milliseconds since 1970 are known to 0.2 us: a scan at the very end may fall either way.
  expect(Math.abs(captured.header.groups[0]!.scans - 3450)).toBeLessThanOrEqual(1);
  const from = captured.series
    .get('outlet')!
    .time_s.findIndex((at_s) => at_s > live.series.get('outlet')!.time_s[0]! - 0.0005);
  const length = live.series.get('outlet')!.value.length;
  expect(captured.series.get('outlet')!.value.slice(from, from + length)).toEqual(
    live.series.get('outlet')!.value,
  );
  const meta = { revision: 1, software: 'test', reason: 'test' };
  const [a, b] = [analyse(live.record, meta).legs[0]!, analyse(captured.record, meta).legs[0]!];
  expect(b.severity.class).toBe(a.severity.class);
  expect(b.results.seating.value).toBeCloseTo(a.results.seating.value!, 3);
  const store = openEventStore({ dataFolder: folder.path, software: 'test', analyse });
  await store.scan();
  const rows = store
    .list({ before: null, limit: 10 })
    .sort((one, other) => (one.source < other.source ? -1 : 1));
  expect(rows.map(({ source, sameTripAs }) => [source, sameTripAs])).toEqual([
    ['contact', undefined],
    ['window', live.header.id],
  ]);
  expect(rows[1]!.wall_ms).toBe(rows[0]!.wall_ms);
  await store.close();
}, 120_000);

test('the command makes one from a stopped data folder, and says what is wrong with a window', async () => {
  const { recorder } = await record(2);
  await recorder.stop();
  const before = (await listEvents(folder.path)).length;
  const said: string[] = [];
  const out = vi.spyOn(process.stdout, 'write').mockImplementation((text) => said.push(String(text)) > 0);
  const err = vi.spyOn(process.stderr, 'write').mockImplementation((text) => said.push(String(text)) > 0);
  try {
    await main(['capture', folder.path, '--last', '5s', '--json']);
    expect(process.exitCode ?? 0).toBe(0);
    const { event, scans } = JSON.parse(said[0]!);
    expect(Math.abs(scans - 2500)).toBeLessThanOrEqual(1);
    expect(await listEvents(folder.path)).toContain(event);
    expect((await listEvents(folder.path)).length).toBe(before + 1);
    const codes: unknown[] = [];
    mkdirSync(`${folder.path}/empty`);
    for (const args of [
      [folder.path],
      [folder.path, '--last', '5s', '--from', '2026-11-25T10:58:00Z'],
      [folder.path, '--last', '5 apples'],
      [folder.path, '--last', '20min'],
      [folder.path, '--from', '2001-01-01T00:00:00Z', '--to', '2001-01-01T00:00:05Z'],
      [`${folder.path}/empty`, '--last', '5s'],
      [`${folder.path}/none`, '--last', '5s'],
    ]) {
      await main(['capture', ...args]);
      codes.push(process.exitCode);
    }
    expect(codes).toEqual([64, 64, 64, 65, 65, 65, 65]);
  } finally {
    process.exitCode = 0;
    out.mockRestore();
    err.mockRestore();
  }
}, 120_000);

test('a page that keeps a window whose verdict cannot be written is not told that it is there', async () => {
  const { recorder } = await record(1);
  await recorder.stop();
  let isFailing = true;
  let captureByMessage: Capture | undefined;
  const silent = {
    start: () => undefined,
    catchUp: () => undefined,
    status: () => undefined,
    event: () => undefined,
    views: () => [],
    stop: async () => undefined,
  };
  const answers: ToRecorder[] = [];
  const session = new ServerSession({
    openStore: ({ config }) =>
      openEventStore({
        dataFolder: config.dataFolder,
        software: 'test',
        analyse: (eventRecord, meta) => {
          if (isFailing) throw new Error("no space for '/srv/rig data/events/it'");
          return analyse(eventRecord, meta);
        },
      }),
    openPublisher: (options) => {
      captureByMessage = options.capture;
      return silent as unknown as Publisher;
    },
    answer: (message) => answers.push(message),
    dashboardFolder: null,
    log: () => undefined,
  });
  const config = { ...recorderRig({ dataFolder: folder.path }), publish: {} as PublishConfig };
  const hello = {
    kind: 'hello',
    config,
    software: 's',
    boot: 'b',
    anchor: { time_s: 0, wall_ms: 0 },
  } as const;
  await session.receive(hello);
  const ready = answers.find((message) => message.kind === 'ready')!;
  const keep = async () => {
    const answer = await fetch(`http://127.0.0.1:${ready.port}/api/events`, {
      method: 'POST',
      headers: { 'content-type': 'application/json' },
      body: '{"last_s": 5}',
    });
    return { status: answer.status, ...(await answer.json()) };
  };
  const unjudged = await keep();
  expect(unjudged).toMatchObject({ status: 202, trouble: "no space for 'it'" });
  // A receiver outside has no business with where the data lies either.
  expect(await captureByMessage?.({ last_s: 5 })).toMatchObject({ trouble: "no space for 'it'" });
  expect(await listEvents(folder.path)).toContain(unjudged.event);
  isFailing = false;
  expect(await keep()).toMatchObject({ status: 201 });
  await session.stop();
}, 120_000);
