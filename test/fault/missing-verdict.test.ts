/** An event that is indexed and has no verdict: it is judged again, at the next scan and at start, and shown until then. */
import { readdirSync, readFileSync, rmSync, utimesSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { DatabaseSync } from 'node:sqlite';
import { afterEach, beforeEach, expect, test } from 'vitest';
import { type EventStore, openEventStore } from '../../daemon/server/event-store.ts';
import { ServerSession } from '../../daemon/server/session.ts';
import type { Analyse, Ingested } from '../../daemon/server/take-in.ts';
import { EventFolderWrite, eventFolder } from '../../daemon/store/event-folder.ts';
import { disk, type Files } from '../../daemon/store/files.ts';
import { newWriter, sweepUnfinished, writeVerdict } from '../../daemon/store/verdict-files.ts';
import { countingAnalyse, eventContent, temporaryFolder } from '../support/event-builder.ts';

let folder: ReturnType<typeof temporaryFolder>;
let now_s = 0;
let stores: EventStore[] = [];
beforeEach(() => {
  folder = temporaryFolder();
  now_s = 0;
  stores = [];
});
afterEach(async () => {
  for (const store of stores) await store.close().catch(() => undefined);
  folder.remove();
});

const all = { before: null, limit: 100 };
const revisionFile = /verdict-\d+\.json$/;

function open(analyse: Analyse = countingAnalyse, files: Files = disk): EventStore {
  const options = { dataFolder: folder.path, software: 'test', analyse, files, now_s: () => now_s };
  const store = openEventStore(options);
  stores.push(store);
  return store;
}

async function writeEvent(second = 0): Promise<string> {
  const content = eventContent(folder.path, second);
  await new EventFolderWrite(folder.path, content, disk).write();
  return content.header.id;
}

const verdictsOf = (id: string) =>
  readdirSync(eventFolder(folder.path, id)).filter((name) => revisionFile.test(name));

/** What deletes a verdict that is being written: its name is gone when it is to be published. */
function losing(): { files: Files; isLosing: boolean } {
  const state = { isLosing: true, files: disk };
  state.files = {
    ...disk,
    async publish(from, to) {
      if (state.isLosing) rmSync(from);
      await disk.publish(from, to);
    },
  };
  return state;
}

test('a verdict that was lost while it was written is made at the next scan, told once, and shown until then', async () => {
  const id = await writeEvent();
  const state = losing();
  const store = open(countingAnalyse, state.files);
  const lost = await store.ingest(id);
  expect([lost?.file, lost?.trouble]).toEqual([null, expect.stringContaining('ENOENT')]);
  expect(store.unjudged()).toEqual([{ id, trouble: lost?.trouble }]);
  expect(store.list(all)[0]?.trouble).toBe(lost?.trouble);
  state.isLosing = false;
  const taken: Ingested[] = [];
  now_s = 10;
  await store.scan((each) => taken.push(each));
  await store.scan((each) => taken.push(each));
  expect(taken.map(({ file, isNew, trouble }) => [file, isNew, trouble])).toEqual([
    ['verdict-1.json', true, null],
  ]);
  expect(store.unjudged()).toEqual([]);
  expect(store.list(all)[0]).not.toHaveProperty('trouble');
});

test('an index that an older version left without a verdict heals at start', async () => {
  const id = await writeEvent();
  const old = open();
  await old.scan();
  await old.close();
  rmSync(join(eventFolder(folder.path, id), 'verdict-1.json'));
  const database = new DatabaseSync(join(folder.path, 'tripwave.db'));
  database.exec("DELETE FROM verdict; UPDATE event SET trouble = 'ENOENT: no such file', shape = NULL");
  database.close();
  const taken: Ingested[] = [];
  const next = open();
  await next.scan((each) => taken.push(each));
  expect(taken.map(({ row, file, isNew }) => [row.id, file, isNew])).toEqual([[id, 'verdict-1.json', true]]);
  expect(verdictsOf(id)).toEqual(['verdict-1.json']);
});

test('a record that nothing can judge is tried ever more seldom, and told once', async () => {
  const bad = await writeEvent(0);
  let asked = 0;
  const analyse: Analyse = (record, meta) => {
    if (record.id === bad) {
      asked++;
      throw new Error('no such physics');
    }
    return countingAnalyse(record, meta);
  };
  const store = open(analyse);
  let told = 0;
  // A day of scans, one each ten seconds.
  for (now_s = 0; now_s < 86_400; now_s += 10) await store.scan(() => told++);
  expect(told).toBe(1);
  expect(asked).toBeGreaterThan(24);
  expect(asked).toBeLessThanOrEqual(34);
  const good = await writeEvent(1);
  await store.scan(() => told++);
  expect([told, verdictsOf(good)]).toEqual([2, ['verdict-1.json']]);
});

test('many records that nothing can judge have a bounded share of each scan', async () => {
  for (let second = 0; second < 12; second++) await writeEvent(second);
  let asked = 0;
  const store = open(() => {
    asked++;
    now_s += 0.2;
    throw new Error('no such physics');
  });
  await store.scan();
  expect(asked).toBe(12);
  asked = 0;
  now_s += 100;
  await store.scan();
  expect(asked).toBe(3);
});

test('a folder that was moved away is no trouble any more', async () => {
  const id = await writeEvent();
  const store = open(() => {
    throw new Error('no such physics');
  });
  await store.scan();
  expect(store.unjudged()).toHaveLength(1);
  rmSync(eventFolder(folder.path, id), { recursive: true });
  now_s = 3600;
  await store.scan();
  expect([store.unjudged(), store.list(all)]).toEqual([[], []]);
});

test.each([
  ['torn', '{"event": "2026'],
  ['of another thing', '{}'],
  ['with a leg of nothing', '{"revision": 1, "legs": [null]}'],
])('a revision that is %s stays, and the event is judged once more beside it', async (_what, text) => {
  const id = await writeEvent();
  const path = join(eventFolder(folder.path, id), 'verdict-1.json');
  writeFileSync(path, text);
  const store = open();
  await store.scan();
  expect(store.list(all)[0]?.verdict).toMatchObject({
    revision: 2,
    reason: expect.stringContaining('revision 1 cannot be read'),
  });
  expect(readFileSync(path, 'utf8')).toBe(text);
  await store.rebuild();
  expect(verdictsOf(id)).toEqual(['verdict-1.json', 'verdict-2.json']);
});

test('pages and API say which event has no verdict until it has one', async () => {
  const id = await writeEvent();
  let isFailing = true;
  const analyse: Analyse = (record, meta) => {
    if (isFailing) throw new Error('i/o error');
    return countingAnalyse(record, meta);
  };
  const session = new ServerSession({
    openStore: () => open(analyse),
    answer: () => undefined,
    dashboardFolder: null,
    log: () => undefined,
  });
  const troubles = () => session.state.view({}).troubles.map(({ key, what }) => [key, what]);
  const { config, anchor } = eventContent(folder.path, 0).header;
  await session.receive({ kind: 'hello', config, software: 'test', boot: 'b', anchor });
  expect(troubles()).toEqual([['unjudged', `Event ${id} has no verdict: i/o error`]]);
  isFailing = false;
  await session.receive({ kind: 'event-closed', event: id, folder: '', closed_s: 1 });
  expect(troubles()).toEqual([]);
  await session.stop();
});

test('left over pieces go; what another writer of a living process may be writing stays', async () => {
  const id = await writeEvent();
  const own = eventFolder(folder.path, id);
  const writer = newWriter();
  const hour = 3_600_000;
  const piece = (end: string, age_ms = 0) => {
    const path = `${own}.verdict-1.json.tmp-${end}`;
    writeFileSync(path, '{');
    const at_s = (Date.now() - age_ms) / 1000;
    utimesSync(path, at_s, at_s);
  };
  // A number that no process has: one past the largest that Linux gives.
  const nobody = 4_194_305;
  piece(writer);
  piece(`${nobody}-aa`);
  piece(`${process.pid}-of-another`);
  piece(`${process.pid}-of-our-number-before-us`, Date.now() - performance.timeOrigin + 60_000);
  piece(`${process.ppid}-alive`);
  piece(`${process.ppid}-of-a-number-given-anew`, 2 * hour);
  piece(`${process.ppid}`, 2 * hour);
  expect(await sweepUnfinished(folder.path, writer, disk)).toBe(5);
  const left = readdirSync(join(own, '..')).filter((name) => name.includes('.tmp-'));
  expect(left.map((name) => name.split('.tmp-')[1]).sort()).toEqual(
    [`${process.pid}-of-another`, `${process.ppid}-alive`].sort(),
  );
});

test('two writers of one process write the same revision: one of them has it, whole', async () => {
  const id = await writeEvent();
  const own = eventFolder(folder.path, id);
  const verdict = (reason: string) => ({
    event: id,
    revision: 1,
    software: 'test',
    reason,
    tripSource: 'none' as const,
    legs: [],
  });
  const written = await Promise.allSettled(
    ['x'.repeat(200_000), 'y'].map((reason) => writeVerdict(own, verdict(reason), newWriter(), disk)),
  );
  expect(written.map(({ status }) => status).sort()).toEqual(['fulfilled', 'rejected']);
  expect(JSON.parse(readFileSync(join(own, 'verdict-1.json'), 'utf8')).reason).toMatch(/^(x{200000}|y)$/);
});

test('an event whose newest verdict was removed by hand is shown with the figures of the index', async () => {
  const id = await writeEvent();
  const store = open();
  await store.scan();
  await store.reanalyse(id, 'a second look');
  rmSync(join(eventFolder(folder.path, id), 'verdict-2.json'));
  const view = await store.get(id);
  expect(view?.verdict?.revision).toBe(2);
  expect(view?.trouble).toBe('verdict-2.json is gone from the folder; these figures are those of the index.');
});
