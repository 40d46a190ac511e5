/** Windows that a person keeps: one of a trip that has an event is that trip, linked and never counted; any other stands alone. */

import { readFileSync, rmSync, statSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { afterEach, beforeEach, expect, test } from 'vitest';
import { usualDisk } from '../../config/disk.ts';
import type { LegVerdict } from '../../daemon/analysis/verdict.ts';
import type { ToRecorder } from '../../daemon/recorder/messages.ts';
import { type EventStore, openEventStore } from '../../daemon/server/event-store.ts';
import { ServerSession } from '../../daemon/server/session.ts';
import type { Analyse } from '../../daemon/server/take-in.ts';
import { EventFolderWrite, eventFolder } from '../../daemon/store/event-folder.ts';
import type { EventRow } from '../../daemon/store/event-index.ts';
import { disk, type Files } from '../../daemon/store/files.ts';
import { legDays } from '../../daemon/trends/leg-days.ts';
import { TrendStore } from '../../daemon/trends/trend-store.ts';
import { countingAnalyse, eventContent, temporaryFolder } from '../support/event-builder.ts';

const noon_ms = Date.UTC(2026, 5, 11, 12);

let folder: ReturnType<typeof temporaryFolder>;
let store: EventStore;
/** Trip that is found in an event, by id; null for none. */
let trips: Map<string, number | null>;
/** Ids of events whose record cannot be judged. */
let refused: Set<string>;

const analyse: Analyse = (record, meta) => {
  if (refused.has(record.id)) throw new Error('no such physics');
  const trip_s = trips.get(record.id) ?? null;
  const value = (at: number) => ({ value: at, low: at, high: at });
  const none = { value: null, reason: '' };
  const leg = {
    leg: 'A',
    active: true,
    flags: [],
    severity: { class: 'severe' },
    results: {
      trip: trip_s === null ? none : value(trip_s),
      surge: value(5e5),
      equivalentReverseVelocity: value(0.4),
      closingTime: value(0.3),
      waveSpeed: trip_s === null ? none : value(1280),
      staticAfter: value(4e5),
    },
    velocity: { time_s: [], value: [] },
  } as unknown as LegVerdict;
  return { ...countingAnalyse(record, meta), legs: [leg] };
};

const open = (files: Files = disk) =>
  openEventStore({ dataFolder: folder.path, software: 'test', analyse, files });

beforeEach(() => {
  folder = temporaryFolder();
  trips = new Map();
  refused = new Set();
  store = open();
});
afterEach(async () => {
  await store.close();
  folder.remove();
});

const idAt = (at_s: number, suffix: string) =>
  `${new Date(noon_ms + at_s * 1000).toISOString().replace(/[-:]|\.\d+/g, '')}-${suffix}`;

/** A folder as the recorder, or a capture, leaves it; times in s after noon are those of its clock. */
async function write(
  suffix: string,
  from_s: number,
  to_s: number,
  trip_s: number | null,
  kept_ms?: number,
): Promise<string> {
  const { header, blocks } = eventContent(folder.path);
  const at_s = kept_ms === undefined ? trip_s! : (from_s + to_s) / 2;
  const id = idAt(at_s, suffix);
  trips.set(id, trip_s);
  const content = {
    blocks,
    header: {
      ...header,
      id,
      anchor: { time_s: 0, wall_ms: noon_ms },
      window: { from_s, to_s },
      trip: {
        source: kept_ms === undefined ? ('contact' as const) : ('window' as const),
        time_s: at_s,
        declared_s: at_s,
      },
      ...(kept_ms === undefined ? {} : { kept_ms }),
    },
  };
  await new EventFolderWrite(folder.path, content, disk).write();
  return id;
}

const writeTrip = (suffix: string, trip_s: number) => write(suffix, trip_s - 1.5, trip_s + 4, trip_s);

function counts() {
  const trends = new TrendStore(folder.path);
  const events = store.between(0, Number.MAX_SAFE_INTEGER);
  const waveSpeeds = store.waveSpeedRows('A');
  const sources = { leg: 'A', outlet: 'outlet', events, waveSpeeds, trends, now_ms: noon_ms + 1e7 };
  const [day] = legDays(sources, noon_ms, noon_ms + 1);
  trends.close();
  return {
    trips: day?.trips ?? 0,
    severe: day?.severe ?? 0,
    closing: day?.closingTime_s?.count ?? 0,
    speeds: store.waveSpeed('A')?.days[0]?.events ?? 0,
  };
}

const links = () =>
  Object.fromEntries(store.list({ before: null, limit: 99 }).map(({ id, sameTripAs }) => [id, sameTripAs]));
const rowOf = (id: string): EventRow =>
  store.list({ before: null, limit: 99 }).find((row) => row.id === id) as EventRow;
const once = { trips: 1, severe: 1, closing: 1, speeds: 1 };

/** The same again from the folders alone. */
async function expectSameAnew(): Promise<void> {
  const rows = store.list({ before: null, limit: 99 });
  const before = counts();
  await store.rebuild();
  expect(store.list({ before: null, limit: 99 })).toEqual(rows);
  expect(counts()).toEqual(before);
}

test.each(['after', 'before'])('a window kept of a trip is that trip, judged %s it', async (when) => {
  const trip = await writeTrip('T01', 100);
  const kept = await write('K01', 60, 120, 100.02, 5);
  for (const id of when === 'after' ? [trip, kept] : [kept, trip]) await store.ingest(id);
  expect(links()).toEqual({ [trip]: undefined, [kept]: trip });
  expect(counts()).toEqual(once);
  expect(rowOf(kept)).toMatchObject({ wall_ms: noon_ms + 100_000, verdict: { revision: 1 } });
  expect((await store.get(kept))?.sameTripAs).toBe(trip);
  await expectSameAnew();
});

test('whoever takes in the later of the two is given the other row as changed', async () => {
  const kept = await write('K01', 60, 120, 100.02, 5);
  expect((await store.ingest(kept))?.row).not.toHaveProperty('sameTripAs');
  const trip = await writeTrip('T01', 100);
  const ingested = await store.ingest(trip);
  expect(ingested?.alsoChanged?.map(({ id, sameTripAs }) => [id, sameTripAs])).toEqual([[kept, trip]]);
  const again = await store.ingest(kept);
  expect([again?.row.sameTripAs, again?.alsoChanged]).toEqual([trip, undefined]);
});

test('a window round a missed trip counts, at the time of the trip, and a second one of it does not', async () => {
  await store.ingest(await writeTrip('T01', 100));
  const first = await write('K02', 120, 180, 170, 10);
  await store.ingest(first);
  expect(rowOf(first).wall_ms).toBe(noon_ms + 170_000);
  expect(counts()).toEqual({ trips: 2, severe: 2, closing: 2, speeds: 2 });
  const second = await write('K01', 110, 178, 170.01, 20);
  await store.ingest(second);
  expect(links()).toMatchObject({ [first]: undefined, [second]: first });
  expect(counts().trips).toBe(2);
  await expectSameAnew();
});

test('a missed trip that gets its event later, as from the ring after a restart, counts once', async () => {
  const kept = await write('K01', 60, 120, 100.02, 5);
  const other = await write('K02', 90, 120, 100.01, 6);
  await store.scan();
  expect([counts().trips, links()[other]]).toEqual([1, kept]);
  const trip = await writeTrip('T01', 100);
  await store.scan();
  expect(links()).toEqual({ [trip]: undefined, [kept]: trip, [other]: trip });
  expect(counts()).toEqual(once);
  await expectSameAnew();
});

test('a window of flowing water is no trip', async () => {
  await store.ingest(await write('K01', 60, 90, null, 5));
  expect(counts()).toMatchObject({ trips: 0, severe: 0, speeds: 0 });
  expect(links()).toEqual({ [idAt(75, 'K01')]: undefined });
});

test('a window of another run of the recorder, on another clock, is not linked', async () => {
  const trip = await writeTrip('T01', 100);
  const kept = await write('K01', 60, 120, 100.02, 5);
  const path = join(eventFolder(folder.path, kept), 'event.json');
  writeFileSync(path, JSON.stringify({ ...JSON.parse(readFileSync(path, 'utf8')), boot: 'another' }));
  await store.scan();
  expect(links()).toEqual({ [trip]: undefined, [kept]: undefined });
});

test('a window is linked to an event that cannot be judged, and to one whose samples are gone', async () => {
  const trip = await writeTrip('T01', 100);
  refused.add(trip);
  const kept = await write('K01', 60, 120, 100.02, 5);
  await store.scan();
  expect(links()[kept]).toBe(trip);
  refused.clear();
  await store.reanalyse(trip, 'again');
  rmSync(join(eventFolder(folder.path, trip), 'trace.bin'));
  writeFileSync(join(eventFolder(folder.path, trip), 'trace-removed.json'), '{"at_ms": 1, "why": "Old."}');
  await store.rebuild();
  expect(links()[kept]).toBe(trip);
  expect(counts()).toEqual(once);
});

test('a new revision that finds another trip, or none, is linked anew', async () => {
  const [first, second] = [await writeTrip('T01', 100), await writeTrip('T02', 160)];
  const kept = await write('K01', 60, 170, 100.02, 5);
  await store.scan();
  for (const [trip_s, original] of [
    [160.01, second],
    [130, undefined],
    [null, first],
  ] as const) {
    trips.set(kept, trip_s);
    await store.reanalyse(kept, 'again');
    expect(links()[kept]).toBe(original);
    expect(counts().trips).toBe(trip_s === 130 ? 3 : 2);
  }
});

test('the trace of a window of a trip goes where space is low, that of a severe trip stays', async () => {
  const trip = await writeTrip('T01', 100);
  const kept = await write('K01', 60, 120, 100.02, 5);
  await store.close();
  store = open({ ...disk, space: async () => ({ free_bytes: 1000, total_bytes: 2e12 }) });
  await store.scan();
  expect(await store.keepTraces(usualDisk, noon_ms + 91 * 86_400_000)).toEqual([kept]);
  expect(rowOf(trip).traceRemoved).toBeUndefined();
  expect(links()[kept]).toBe(trip);
  await expectSameAnew();
});

test('kept windows beyond their quota lose their samples, oldest first; the youngest day of them and own trips never', async () => {
  const now_ms = noon_ms + 2 * 86_400_000;
  const own = await write('K00', 0, 40, 20, 1);
  await writeTrip('T01', 100);
  const kept = [await write('K01', 60, 120, 100.02, 5), await write('K02', 200, 230, null, 6)];
  await store.scan();
  const trace_bytes = statSync(join(eventFolder(folder.path, own), 'trace.bin')).size;
  const limits = (size_bytes: number) => ({ ...usualDisk, keptWindows: { age_s: 86_400, size_bytes } });
  expect(await store.keepTraces(limits(0), noon_ms + 3_600_000)).toEqual([]);
  expect(await store.keepTraces(limits(2.5 * trace_bytes), now_ms)).toEqual([]);
  expect(await store.keepTraces(limits(1.5 * trace_bytes), now_ms)).toEqual([kept[0]]);
  expect(await store.keepTraces(limits(0), now_ms)).toEqual([kept[1]]);
  expect(await store.keepTraces(limits(0), now_ms)).toEqual([]);
  expect(rowOf(kept[1]!).traceRemoved?.why).toBe('The quota of kept windows was used up.');
  expect(rowOf(own).traceRemoved).toBeUndefined();
});

test('pages and receivers are told one trip, also when the window was kept before its record was closed', async () => {
  const told: (readonly [string, string | undefined])[] = [];
  const answers: ToRecorder[] = [];
  const published: string[] = [];
  const session = new ServerSession({
    openStore: () => store,
    openPublisher: () =>
      ({
        event: ({ row }: { row: EventRow }) => published.push(`${row.id} ${row.sameTripAs}`),
        trip: () => undefined,
        status: () => undefined,
        catchUp: () => undefined,
        views: () => [],
        start: () => undefined,
        stop: async () => undefined,
      }) as never,
    answer: (message) => answers.push(message),
    dashboardFolder: null,
    log: () => undefined,
  });
  const { header } = eventContent(folder.path);
  const config = { ...header.config, publish: { sinks: [] } } as never;
  await session.receive({ kind: 'hello', config, software: 's', boot: 'test', anchor: header.anchor });
  session.hub.message = (message) => {
    if (message.kind === 'event') told.push([message.event.id, message.event.sameTripAs]);
  };
  const id = idAt(100, 'T01');
  await session.receive({
    kind: 'trip',
    event: id,
    source: 'contact',
    time_s: 100,
    declared_s: 100,
  } as never);
  const kept = await write('K01', 60, 101, 100.02, 5);
  await session.receive({ kind: 'event-closed', event: kept, folder: '', closed_s: 1 });
  expect([told, published]).toEqual([[], []]);
  await writeTrip('T01', 100);
  await session.receive({ kind: 'event-closed', event: id, folder: '', closed_s: 1 });
  expect(told).toEqual([
    [id, undefined],
    [kept, id],
  ]);
  expect(published).toEqual([`${id} undefined`, `${kept} ${id}`]);
  expect(answers.filter(({ kind }) => kind === 'verdict')).toMatchObject([{ event: id }]);
  await session.stop();
  store = open();
});
