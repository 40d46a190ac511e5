/** From closed folders to the wave-speed chart over HTTP, and the same again after the index is made anew. */
import { afterEach, beforeEach, expect, test } from 'vitest';
import type { LegVerdict } from '../../daemon/analysis/verdict.ts';
import { type EventStore, openEventStore } from '../../daemon/server/event-store.ts';
import { RigState } from '../../daemon/server/rig-state.ts';
import type { Analyse } from '../../daemon/server/take-in.ts';
import { EventFolderWrite } from '../../daemon/store/event-folder.ts';
import { disk } from '../../daemon/store/files.ts';
import { createServer } from '../../daemon/web/app.ts';
import { LiveHub } from '../../daemon/web/live.ts';
import { countingAnalyse, eventContent, temporaryFolder } from '../support/event-builder.ts';
import { syntheticConfig } from '../support/synthetic-rig.ts';

let folder: ReturnType<typeof temporaryFolder>;
let store: EventStore;
let speed_mps: number | null;

/** Says nothing but a wave speed. */
const analyse: Analyse = (record, meta) => ({
  ...countingAnalyse(record, meta),
  legs: [
    {
      leg: 'A',
      active: true,
      results: {
        trip: { value: null, reason: '' },
        waveSpeed:
          speed_mps === null
            ? { value: null, reason: '' }
            : { value: speed_mps, low: speed_mps - 9, high: speed_mps + 9 },
        staticAfter: { value: 4e5, low: 4e5, high: 4e5 },
      },
      severity: { class: 'unknown' },
      flags: [],
      velocity: { time_s: [], value: [] },
    } as unknown as LegVerdict,
  ],
});

beforeEach(() => {
  folder = temporaryFolder();
  store = openEventStore({ dataFolder: folder.path, software: 'test', analyse });
});
afterEach(async () => {
  await store.close();
  folder.remove();
});

async function add(second: number, value_mps: number | null): Promise<string> {
  const content = eventContent(folder.path, second);
  await new EventFolderWrite(folder.path, content, disk).write();
  speed_mps = value_mps;
  await store.ingest(content.header.id);
  return content.header.id;
}

test('the day gathers its events, follows a new revision, and survives a rebuild', async () => {
  expect(store.waveSpeed('A')).toBeNull();
  await add(0, 1280);
  const id = await add(1, 1100);
  await add(2, null);
  await add(3, 1284);
  expect(store.waveSpeed('A')?.days).toMatchObject([{ day: '2026-06-11', events: 3, median_mps: 1280 }]);
  speed_mps = 1290;
  await store.reanalyse(id, 'test');
  expect(store.waveSpeed('A')?.days).toMatchObject([{ events: 3, median_mps: 1284 }]);
  speed_mps = null;
  await store.reanalyse(id, 'test');
  expect(store.waveSpeed('A')?.days).toMatchObject([{ events: 2, median_mps: 1282 }]);
  const before = store.waveSpeed('A');
  await store.rebuild();
  expect(store.waveSpeed('A')).toEqual(before);
  expect(store.waveSpeed('B')).toBeNull();
});

test('GET /api/legs/:id/wave-speed answers with the chart, or is empty before the first event', async () => {
  await add(0, 1280);
  const state = new RigState(() => 0);
  const app = await createServer({
    library: store,
    state,
    hub: new LiveHub(),
    host: '127.0.0.1',
    dashboardFolder: null,
  });
  const headers = { host: '127.0.0.1' };
  const found = await app.inject({ url: '/api/legs/A/wave-speed', headers });
  expect(found.statusCode).toBe(200);
  expect(found.json()).toEqual(store.waveSpeed('A'));
  const missing = await app.inject({ url: '/api/legs/B/wave-speed', headers });
  expect(missing.statusCode).toBe(404);
  expect(missing.json()).toEqual({ error: 'There is no leg "B" in this rig or its events.' });
  const config = { ...syntheticConfig, legs: syntheticConfig.legs.map((leg) => ({ ...leg, id: 'B' })) };
  state.hello({
    kind: 'hello',
    config,
    software: 'test',
    boot: 'made-up',
    anchor: { time_s: 0, wall_ms: 0 },
  });
  const empty = await app.inject({ url: '/api/legs/B/wave-speed', headers });
  expect(empty.statusCode).toBe(200);
  expect(empty.json()).toMatchObject({ leg: 'B', days: [], chart: null, warning: null });
  await app.close();
});
