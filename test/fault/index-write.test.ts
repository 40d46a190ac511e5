/** The index refuses while an event or a further verdict is taken in: the folder has it all, the next look mends the index. */
import { readdirSync, readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { DatabaseSync } from 'node:sqlite';
import { afterEach, beforeEach, expect, test } from 'vitest';
import { type EventStore, openEventStore } from '../../daemon/server/event-store.ts';
import { ServerSession } from '../../daemon/server/session.ts';
import type { Ingested } from '../../daemon/server/take-in.ts';
import { EventFolderWrite, eventFolder } from '../../daemon/store/event-folder.ts';
import { disk } from '../../daemon/store/files.ts';
import { loadEvent } from '../../daemon/store/load-record.ts';
import { countingAnalyse, eventContent, temporaryFolder } from '../support/event-builder.ts';

let folder: ReturnType<typeof temporaryFolder>;
let ingest: EventStore;
beforeEach(() => {
  folder = temporaryFolder();
  ingest = open();
});
afterEach(async () => {
  await ingest.close();
  folder.remove();
});

const open = () => openEventStore({ dataFolder: folder.path, software: 'test', analyse: countingAnalyse });
const all = { before: null, limit: 100 };

/** From now on writing into this table fails as a full disk does, after what the transaction did before; ends with the call that is returned. */
function refuse(table: 'event' | 'verdict'): () => void {
  const database = new DatabaseSync(join(folder.path, 'tripwave.db'));
  database.exec(
    `CREATE TRIGGER refuse BEFORE INSERT ON ${table} BEGIN SELECT RAISE(ROLLBACK, 'database or disk is full'); END`,
  );
  return () => {
    database.exec('DROP TRIGGER refuse');
    database.close();
  };
}

async function writeEvent(second: number): Promise<string> {
  const content = eventContent(folder.path, second);
  await new EventFolderWrite(folder.path, content, disk).write();
  return content.header.id;
}

/** Another server on the same folder. */
async function restart(): Promise<void> {
  await ingest.close();
  ingest = open();
}

async function expectIndexAsFolders(): Promise<void> {
  const rows = ingest.list(all);
  await ingest.rebuild();
  expect(rows).toEqual(ingest.list(all));
}

test.each([
  ['event', 'by the next look'],
  ['verdict', 'by the next look'],
  ['event', 'after a restart'],
  ['verdict', 'after a restart'],
] as const)('table %s refuses an event: it is kept, and taken in %s', async (table, how) => {
  const first = await writeEvent(0);
  await ingest.scan();
  const id = await writeEvent(1);
  const allow = refuse(table);
  await expect(ingest.ingest(id)).rejects.toThrow('disk is full');
  await expect(ingest.scan()).rejects.toThrow('disk is full');
  expect(ingest.list(all).map((row) => row.id)).toEqual([first]);
  expect((await loadEvent(eventFolder(folder.path, id))).damage).toEqual([]);
  allow();
  if (how === 'after a restart') await restart();
  const taken: Ingested[] = [];
  await ingest.scan((ingested) => taken.push(ingested));
  // The verdict was written before the index refused: it is that one, told now for the first time.
  expect(taken.map(({ row, file, isNew }) => [row.id, file, isNew])).toEqual([[id, 'verdict-1.json', true]]);
  expect(readdirSync(eventFolder(folder.path, id)).sort()).toEqual([
    'event.json',
    'trace.bin',
    'verdict-1.json',
  ]);
  await expectIndexAsFolders();
});

test.each(['by the next look', 'after a restart'])(
  'a further verdict that the index refused is in it %s',
  async (how) => {
    const id = await writeEvent(0);
    await ingest.scan();
    const allow = refuse('verdict');
    await expect(ingest.reanalyse(id, 'a second look')).rejects.toThrow('disk is full');
    allow();
    if (how === 'after a restart') await restart();
    await ingest.scan();
    expect(ingest.list(all).map(({ verdict }) => verdict?.revision)).toEqual([2]);
    await expectIndexAsFolders();
  },
);

test('an index that refuses to be forgotten stays as it was', async () => {
  await writeEvent(0);
  await ingest.scan();
  const rows = ingest.list(all);
  const database = new DatabaseSync(join(folder.path, 'tripwave.db'));
  database.exec("CREATE TRIGGER refuse BEFORE DELETE ON verdict BEGIN SELECT RAISE(FAIL, 'i/o error'); END");
  await expect(ingest.rebuild()).rejects.toThrow('i/o error');
  expect(ingest.list(all)).toEqual(rows);
  database.exec('DROP TRIGGER refuse');
  database.close();
  await ingest.rebuild();
  expect(ingest.list(all)).toEqual(rows);
});

test.each([
  ['another file', () => Buffer.from('something else '.repeat(400))],
  ['a bad sector', (whole: Buffer) => whole.fill(7, 8192, 12_288)],
  ['a torn one', (whole: Buffer) => whole.subarray(0, 9000)],
] as const)('an index that is %s is set aside and made anew from the folders', async (_what, damage) => {
  const ids = [await writeEvent(0), await writeEvent(1)];
  await ingest.scan();
  const rows = ingest.list(all);
  await ingest.close();
  const path = join(folder.path, 'tripwave.db');
  writeFileSync(path, damage(readFileSync(path)));
  ingest = open();
  expect(ingest.setAside).toMatch(/tripwave\.db\.damaged-\d+$/);
  await ingest.scan();
  expect(rows.map(({ id }) => id).sort()).toEqual(ids);
  expect(ingest.list(all)).toEqual(rows);
  await restart();
  expect(ingest.setAside).toBeNull();
  expect(ingest.list(all)).toEqual(rows);
});

test('an event that closes while the index is made anew is judged in between, and once', async () => {
  const ids: string[] = [];
  for (let second = 0; second < 5; second++) ids.push(await writeEvent(second));
  const taken: string[] = [];
  let hinted: Promise<unknown> | null = null;
  await ingest.scan(({ row }) => {
    taken.push(row.id);
    hinted ??= ingest
      .ingest(ids[4]!)
      .then((ingested) => taken.push(`${ingested?.row.id}, ${ingested?.file}`));
  });
  await hinted;
  const [first, ...others] = ids;
  expect(taken).toEqual([first, `${others.pop()}, verdict-1.json`, ...others]);
  await expectIndexAsFolders();
});

test('closing does not wait until the index is made anew; the next server goes on', async () => {
  for (let second = 0; second < 5; second++) await writeEvent(second);
  let taken = 0;
  let restarted: Promise<void> | null = null;
  await ingest.scan(() => {
    taken++;
    restarted ??= restart();
  });
  await restarted;
  expect(taken).toBe(1);
  await ingest.scan();
  expect(ingest.list(all)).toHaveLength(5);
});

test('the server shows what the index refused, and tells the verdict once it is in', async () => {
  const id = await writeEvent(0);
  const told: string[] = [];
  const session = new ServerSession({
    openStore: () => open(),
    answer: (message) => told.push(message.kind),
    dashboardFolder: null,
    log: () => undefined,
  });
  const allow = refuse('event');
  const { config, anchor } = eventContent(folder.path, 0).header;
  await session.receive({ kind: 'hello', config, software: 'test', boot: 'b', anchor });
  expect(
    session.state
      .view({})
      .troubles.map(({ what }) => what)
      .join(),
  ).toContain('disk is full');
  expect(told).toEqual(['ready']);
  allow();
  await session.receive({ kind: 'event-closed', event: id, folder: '', closed_s: 1 });
  expect(
    session.state
      .view({})
      .troubles.map(({ what }) => what)
      .join(),
  ).not.toContain('disk is full');
  expect(told).toEqual(['ready', 'verdict']);
  await session.stop();
});
