/** A trends.db that a bad sector or a torn write has damaged is set aside, named, and made anew from what the ring still has. */
import { readdirSync, readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { DatabaseSync } from 'node:sqlite';
import { afterEach, beforeEach, expect, test } from 'vitest';
import { openEventStore } from '../../daemon/server/event-store.ts';
import { ServerSession } from '../../daemon/server/session.ts';
import type { Rollup } from '../../daemon/trends/trend-rollup.ts';
import { TrendStore } from '../../daemon/trends/trend-store.ts';
import { openTrends } from '../../daemon/trends/trends.ts';
import { countingAnalyse, eventContent, temporaryFolder } from '../support/event-builder.ts';

let folder: ReturnType<typeof temporaryFolder>;
let path: string;
beforeEach(() => {
  folder = temporaryFolder();
  path = join(folder.path, 'trends.db');
});
afterEach(() => folder.remove());

/** Young enough that no look drops it, and the begin of an hour. */
const start_s = Math.floor(Date.now() / 3_600_000) * 3600 - 36_000;

/** Two hours of seconds, the first of them packed. */
function fill(store: TrendStore): void {
  const rollup = (k: number): Rollup => ({
    start_s: start_s + k,
    count: 10,
    min: Math.sin(k),
    max: 3,
    mean: 2,
    squares: 9,
    flags: 0,
  });
  const seconds = Array.from({ length: 7200 }, (_, k) => rollup(k));
  store.add({ rollups: new Map([['outlet', { 1: seconds, 60: [], 3600: [] }]]), places: { ring: '{}' } });
  store.tidy(start_s + 5000);
}

const damages = [
  ['another file', () => Buffer.from('something else '.repeat(400))],
  ['a torn one', (whole: Buffer) => whole.subarray(0, 9000)],
  ['one with bad sectors', (whole: Buffer) => whole.fill(7, 4096, 40_960)],
  ['one with a bad head', (whole: Buffer) => whole.fill(0, 0, 512)],
] as const;

const setAside = () => readdirSync(folder.path).filter((name) => /^trends\.db\.damaged-\d+$/.test(name));

test.each(damages)('%s is set aside and begins anew; nothing of it is deleted', (_what, damage) => {
  const store = new TrendStore(folder.path);
  expect(store.setAside).toBeNull();
  fill(store);
  store.close();
  const damaged = damage(readFileSync(path));
  writeFileSync(path, damaged);
  const next = new TrendStore(folder.path);
  expect(setAside()).toEqual([next.setAside?.slice(folder.path.length + 1)]);
  expect(readFileSync(next.setAside!).equals(damaged)).toBe(true);
  expect([next.channels, next.place('ring')]).toEqual([[], null]);
  fill(next);
  expect(next.read('outlet', 1, start_s, start_s + 7200)).toHaveLength(7200);
  next.close();
  const third = new TrendStore(folder.path);
  expect([third.setAside, third.channels]).toEqual([null, ['outlet']]);
  third.close();
});

test('one that becomes damaged while it is in use is set aside at the next look', async () => {
  const told: unknown[] = [];
  const trends = openTrends(
    folder.path,
    null,
    () => undefined,
    (aside) => told.push(aside),
  );
  fill(trends.store);
  const database = new DatabaseSync(path);
  database.exec('PRAGMA wal_checkpoint(TRUNCATE)');
  database.close();
  const whole = readFileSync(path);
  writeFileSync(path, whole.fill(7, 4096));
  await trends.close();
  const second = openTrends(
    folder.path,
    null,
    () => undefined,
    (aside) => told.push(aside),
  );
  expect(told).toHaveLength(1);
  fill(second.store);
  // What a page would have met: the store marks itself, and the next look begins anew.
  second.store.isDamaged = true;
  const before = second.store;
  await second.follow();
  expect(second.store).not.toBe(before);
  expect(second.store.isDamaged).toBe(false);
  expect(second.store.read('outlet', 1, start_s, start_s + 7200)).toHaveLength(7200);
  await second.close();
});

test('a page that meets damage fails once; the store knows it', () => {
  const store = new TrendStore(folder.path);
  fill(store);
  store.close();
  const whole = readFileSync(path);
  const opened = new TrendStore(folder.path);
  writeFileSync(path, whole.fill(7, 4096));
  expect(() => opened.read('outlet', 1, start_s, start_s + 7200)).toThrow(/malformed|disk image|corrupt/);
  expect(opened.isDamaged).toBe(true);
  opened.close();
});

test('the pages say so, with the name of what was set aside and no folder of the server', async () => {
  const store = new TrendStore(folder.path);
  fill(store);
  store.close();
  writeFileSync(path, 'something else '.repeat(400));
  writeFileSync(join(folder.path, 'tripwave.db'), 'something else '.repeat(400));
  const log: string[] = [];
  const session = new ServerSession({
    openStore: () => openEventStore({ dataFolder: folder.path, software: 'test', analyse: countingAnalyse }),
    openTrends,
    answer: () => undefined,
    dashboardFolder: null,
    log: (text) => log.push(text),
  });
  const { config, anchor } = eventContent(folder.path).header;
  await session.receive({ kind: 'hello', config, software: 'test', boot: 'b', anchor });
  const troubles = session.state.view({}).troubles;
  const found = troubles.filter(({ key }) => key.endsWith('damaged'));
  expect(found.map(({ what }) => what).sort()).toEqual([
    expect.stringContaining(setAside()[0]!),
    expect.stringMatching(/tripwave\.db\.damaged-\d+/),
  ]);
  expect(JSON.stringify(troubles)).not.toContain(folder.path);
  expect(log.join('\n')).toContain(join(folder.path, setAside()[0]!));
  await session.stop();
});
