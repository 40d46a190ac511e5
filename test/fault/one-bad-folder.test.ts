import { readdirSync } from 'node:fs';
import { basename } from 'node:path';
import { afterEach, beforeEach, expect, test, vi } from 'vitest';
import { type EventStore, openEventStore } from '../../daemon/server/event-store.ts';
import { ServerSession } from '../../daemon/server/session.ts';
import { EventFolderWrite, eventFolder } from '../../daemon/store/event-folder.ts';
import { disk, type Files } from '../../daemon/store/files.ts';
import { systemClock } from '../../drivers/clock.ts';
import { countingAnalyse, eventContent, temporaryFolder } from '../support/event-builder.ts';

let folder: ReturnType<typeof temporaryFolder>;
beforeEach(() => {
  folder = temporaryFolder();
});
afterEach(() => folder.remove());

test('a folder in which no verdict can be written does not keep the later events from the index', async () => {
  const contents = [0, 1, 2].map((second) => eventContent(folder.path, second));
  for (const content of contents) await new EventFolderWrite(folder.path, content, disk).write();
  const [bad, ...good] = contents.map((content) => content.header.id);
  let isHealed = false;
  const files: Files = {
    ...disk,
    async create(path) {
      if (!isHealed && path.includes(bad)) throw Object.assign(new Error('not yours'), { code: 'EACCES' });
      return await disk.create(path);
    },
  };
  const ingest = openEventStore({
    dataFolder: folder.path,
    software: 'test',
    analyse: countingAnalyse,
    files,
  });
  const seen: string[] = [];
  await expect(ingest.scan(({ row }) => seen.push(row.id))).rejects.toThrow('not yours');
  expect(seen).toEqual(good);
  isHealed = true;
  await ingest.scan(({ row }) => seen.push(row.id));
  expect(seen).toEqual([...good, bad]);
  await ingest.close();
});

test('a disk that fails while a record is read is asked again, not taken for a record that cannot be judged', async () => {
  const content = eventContent(folder.path, 0);
  await new EventFolderWrite(folder.path, content, disk).write();
  let isHealed = false;
  const files: Files = {
    ...disk,
    async read(path) {
      if (!isHealed && path.endsWith('trace.bin'))
        throw Object.assign(new Error('i/o error'), { code: 'EIO' });
      return await disk.read(path);
    },
  };
  const ingest = openEventStore({
    dataFolder: folder.path,
    software: 'test',
    analyse: countingAnalyse,
    files,
  });
  await expect(ingest.scan()).rejects.toThrow('i/o error');
  expect(ingest.list({ before: null, limit: 10 })).toEqual([]);
  isHealed = true;
  await ingest.scan();
  expect(ingest.list({ before: null, limit: 10 }).map(({ verdict }) => verdict !== null)).toEqual([true]);
  await ingest.close();
});

interface Refusal {
  /** Name of the one file that the system refuses, of the event of second 0. */
  readonly name: string;
  readonly code: string;
  isHealed: boolean;
  /** How often it was asked for. */
  asked: number;
}

/** A store on three events, one file of the first of which is refused for as long as `refusal` says; scans are 10 s apart. */
async function refusingStore(refusal: Refusal, isJudged: boolean) {
  const contents = [0, 1, 2].map((second) => eventContent(folder.path, second));
  for (const content of contents) await new EventFolderWrite(folder.path, content, disk).write();
  let now_s = 0;
  const open = (files: Files): EventStore =>
    openEventStore({
      dataFolder: folder.path,
      software: 'test',
      analyse: countingAnalyse,
      files,
      now_s: () => now_s,
    });
  const [bad, ...good] = contents.map((content) => content.header.id);
  const own = eventFolder(folder.path, bad!);
  if (isJudged) {
    const before = open(disk);
    await before.scan();
    await before.close();
    await disk.remove(`${folder.path}/tripwave.db`);
  }
  const files: Files = {
    ...disk,
    async read(path) {
      if (!path.startsWith(own) || basename(path) !== refusal.name) return await disk.read(path);
      refusal.asked++;
      if (!refusal.isHealed)
        throw Object.assign(new Error(`${refusal.code}: refused, read`), { code: refusal.code });
      return await disk.read(path);
    },
  };
  const store = open(files);
  const scan = async () => {
    now_s += 10;
    await store.scan().catch(() => undefined);
  };
  return { store, scan, bad: bad!, good, own };
}

const rowsOf = (store: EventStore) =>
  store
    .list({ before: null, limit: 10 })
    .map(({ id, verdict, trouble }) => [id, verdict?.revision ?? null, trouble]);

test.each([
  ['event.json', 'EIO'],
  ['event.json', 'EACCES'],
  ['trace.bin', 'EIO'],
])(
  '%s refused with %s for good: the event is named, tried ever more seldom, and heals',
  async (name, code) => {
    const refusal: Refusal = { name, code, isHealed: false, asked: 0 };
    const { store, scan, bad, good } = await refusingStore(refusal, false);
    for (let n = 0; n < 3; n++) await scan();
    const because = expect.stringContaining(`${code}: refused`);
    const judged = good.toReversed().map((id) => [id, 1, undefined]);
    expect(rowsOf(store)).toEqual([...judged, [bad, null, because]]);
    expect(store.unjudged()).toEqual([{ id: bad, trouble: because }]);
    // Nothing is wrong with the store as a whole.
    await store.scan();
    refusal.asked = 0;
    for (let n = 0; n < 360; n++) await scan();
    expect(refusal.asked).toBeGreaterThan(3);
    expect(refusal.asked).toBeLessThan(20);
    refusal.isHealed = true;
    for (let n = 0; n < 361; n++) await scan();
    expect(rowsOf(store)).toEqual([...judged, [bad, 1, undefined]]);
    await store.close();
  },
);

test('a verdict that is refused for good stays, and the event is judged once more beside it', async () => {
  const refusal: Refusal = { name: 'verdict-1.json', code: 'EIO', isHealed: false, asked: 0 };
  const { store, scan, bad, good, own } = await refusingStore(refusal, true);
  await scan();
  expect(rowsOf(store).map(([id]) => id)).toEqual(good.toReversed());
  for (let n = 0; n < 3; n++) await scan();
  expect(rowsOf(store)).toEqual([...good.toReversed(), bad].map((id) => [id, id === bad ? 2 : 1, undefined]));
  expect(readdirSync(own).filter((name) => name.startsWith('verdict'))).toEqual([
    'verdict-1.json',
    'verdict-2.json',
  ]);
  await store.close();
});

test('a trace that is refused for good costs the picture, not the verdict that is there', async () => {
  const refusal: Refusal = { name: 'trace.bin', code: 'EACCES', isHealed: false, asked: 0 };
  const { store, scan, bad, good } = await refusingStore(refusal, true);
  for (let n = 0; n < 3; n++) await scan();
  const because = expect.stringContaining('EACCES: refused');
  expect(rowsOf(store)).toEqual([...good.toReversed().map((id) => [id, 1, undefined]), [bad, 1, because]]);
  await store.close();
});

test('a server with one file that is refused for good is ready, and names the event', async () => {
  const refusal: Refusal = { name: 'event.json', code: 'EIO', isHealed: false, asked: 0 };
  const { store, bad } = await refusingStore(refusal, false);
  const timers: { readonly call: () => void; readonly period_ms: number }[] = [];
  const session = new ServerSession({
    openStore: () => store,
    answer: () => undefined,
    dashboardFolder: null,
    clock: {
      ...systemClock,
      setInterval(call, period_ms) {
        timers.push({ call, period_ms });
        return systemClock.setInterval(() => undefined, 1e6);
      },
    },
    log: () => undefined,
  });
  const { config, anchor } = eventContent(folder.path, 0).header;
  await session.receive({ kind: 'hello', config, software: 'test', boot: 'b', anchor });
  expect(session.state.unready().join()).toContain('EIO');
  const scan = timers.find(({ period_ms }) => period_ms === 10_000)!;
  await vi.waitFor(() => {
    scan.call();
    expect(session.state.unready()).toEqual([]);
  }, 20_000);
  const troubles = session.state.view({}).troubles.map(({ key, what }) => [key, what]);
  expect(troubles).toEqual([
    ['unjudged', expect.stringMatching(`^Event ${bad} has no verdict: .*EIO: refused`)],
  ]);
  await session.stop();
});

test('a disk without room is never taken for a bad event', async () => {
  const refusal: Refusal = { name: 'event.json', code: 'EROFS', isHealed: false, asked: 0 };
  const { store, scan, good } = await refusingStore(refusal, false);
  for (let n = 0; n < 5; n++) await scan();
  expect(rowsOf(store).map(([id]) => id)).toEqual(good.toReversed());
  await expect(store.scan()).rejects.toThrow('EROFS');
  await store.close();
});
