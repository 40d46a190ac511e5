/** One event whose files say nonsense: it is shown as it is, costs the others nothing, and is not read again at every scan. */
import { readFileSync, rmSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { DatabaseSync } from 'node:sqlite';
import type { FastifyInstance } from 'fastify';
import { afterEach, beforeEach, expect, test } from 'vitest';
import type { LegVerdict } from '../../daemon/analysis/verdict.ts';
import { type EventStore, openEventStore } from '../../daemon/server/event-store.ts';
import { RigState } from '../../daemon/server/rig-state.ts';
import type { Analyse } from '../../daemon/server/take-in.ts';
import { EventFolderWrite, eventFolder, wallOfId_ms } from '../../daemon/store/event-folder.ts';
import { disk, type Files } from '../../daemon/store/files.ts';
import { createServer } from '../../daemon/web/app.ts';
import { LiveHub } from '../../daemon/web/live.ts';
import { countingAnalyse, eventContent, temporaryFolder } from '../support/event-builder.ts';

/** Says nothing but a trip and a wave speed. */
const analyse: Analyse = (record, meta) => ({
  ...countingAnalyse(record, meta),
  legs: [
    {
      leg: 'A',
      active: true,
      flags: [],
      severity: { class: 'unknown' },
      results: {
        trip: { value: 3.01, low: 3, high: 3.02 },
        waveSpeed: { value: 1280, low: 1271, high: 1289 },
        staticAfter: { value: 4e5, low: 4e5, high: 4e5 },
      },
      velocity: { time_s: [], value: [] },
    } as unknown as LegVerdict,
  ],
});

let folder: ReturnType<typeof temporaryFolder>;
let store: EventStore;
let app: FastifyInstance;
/** Paths that were read, in order. */
let read: string[];
beforeEach(async () => {
  folder = temporaryFolder();
  read = [];
  const files: Files = {
    ...disk,
    read: (path) => {
      read.push(path);
      return disk.read(path);
    },
  };
  store = openEventStore({ dataFolder: folder.path, software: 'test', analyse, files });
  const state = new RigState(() => 0);
  app = await createServer({
    library: store,
    state,
    hub: new LiveHub(),
    host: '127.0.0.1',
    dashboardFolder: null,
  });
});
afterEach(async () => {
  await app.close();
  await store.close();
  folder.remove();
});

const get = (url: string) => app.inject({ url, headers: { host: '127.0.0.1' } });

async function writeEvent(second: number, change: (header: Record<string, unknown>) => unknown = () => null) {
  const { header, blocks } = eventContent(folder.path, second);
  await new EventFolderWrite(folder.path, { header, blocks }, disk).write();
  const path = join(eventFolder(folder.path, header.id), 'event.json');
  const changed = JSON.parse(readFileSync(path, 'utf8'));
  change(changed);
  writeFileSync(path, JSON.stringify(changed));
  return header.id;
}

test.each([
  ['none', undefined],
  ['an empty one', {}],
  ['one beyond every date', { time_s: 3, wall_ms: 1e300 }],
  ['one of text', { time_s: '3', wall_ms: '5' }],
])(
  'an event with a wall time that is %s is judged, stands at the second of its id, and says so',
  async (_what, anchor) => {
    const id = await writeEvent(7, (header) => {
      header['anchor'] = anchor;
    });
    await store.scan();
    const [row] = store.list({ before: null, limit: 1 });
    expect(row).toMatchObject({
      wall_ms: wallOfId_ms(id),
      verdict: { revision: 1 },
      trouble: expect.stringContaining('no wall time'),
    });
    read.length = 0;
    await store.scan();
    expect(read).toEqual([]);
    for (const url of [
      '/api/events',
      `/api/events/${id}`,
      `/api/events/${id}/trace`,
      '/api/legs/A/wave-speed',
    ])
      expect([url, (await get(url)).statusCode]).toEqual([url, 200]);
  },
);

test.each([
  ['a trip without an instant', (header: Record<string, unknown>) => delete header['trip'], 'trip.time_s'],
  ['no window', (header: Record<string, unknown>) => delete header['window'], 'window.from_s'],
  ['no channels', (header: Record<string, unknown>) => delete header['config'], 'config.channels'],
])('an event with %s is listed with what is wrong, and the scan goes on', async (_what, change, named) => {
  const bad = await writeEvent(0, change);
  const good = await writeEvent(1);
  await store.scan();
  const rows = store.list({ before: null, limit: 9 });
  expect(rows.map(({ id, verdict }) => [id, verdict?.revision])).toEqual([
    [good, 1],
    [bad, undefined],
  ]);
  expect(rows[1]?.trouble).toContain(named);
  expect(rows[1]?.trouble).not.toContain(folder.path);
  read.length = 0;
  await store.scan();
  expect(read).toEqual([]);
});

test('one event of an impossible liquid costs the chart of its leg nothing', async () => {
  await writeEvent(0);
  const before = async () => {
    await store.scan();
    const answer = await get('/api/legs/A/wave-speed');
    return [answer.statusCode, answer.json().days.map(({ events }: { events: number }) => events)];
  };
  expect(await before()).toEqual([200, [1]]);
  let second = 1;
  for (const liquid of [{ density_kgpm3: 0 }, { temperature_K: null }, { bulkModulus_Pa: 'stiff' }]) {
    await writeEvent(second++, (header) => {
      Object.assign((header['config'] as { liquid: object }).liquid, liquid);
    });
    expect(await before()).toEqual([200, [1]]);
  }
});

test('a row of the index that an older version left with nonsense costs its leg nothing either', async () => {
  await writeEvent(0);
  const bad = await writeEvent(1);
  await store.scan();
  const database = new DatabaseSync(join(folder.path, 'tripwave.db'));
  database.prepare("UPDATE wave_speed SET row = json_set(row, '$.wall_ms', 1e300) WHERE event = ?").run(bad);
  database.close();
  const answer = await get('/api/legs/A/wave-speed');
  expect([answer.statusCode, answer.json().days?.[0]?.events]).toEqual([200, 1]);
});

test('no answer names a path of the server', async () => {
  const id = await writeEvent(0);
  await store.scan();
  for (const name of ['none', 'trace.bin', 'verdict-1.json', 'event.json']) {
    rmSync(join(eventFolder(folder.path, id), name), { force: true });
    for (const url of [`/api/events/${id}`, `/api/events/${id}/trace`, `/api/events/${id}/export.csv`]) {
      const { body } = await get(url);
      expect(body.includes(folder.path), `${url} without ${name}`).toBe(false);
    }
  }
  const { statusCode, body } = await get(`/api/events/${id}`);
  expect(statusCode).toBeGreaterThanOrEqual(400);
  expect(body).toContain(`Event ${id}: event.json cannot be read`);
});
