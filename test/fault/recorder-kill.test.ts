import { type ChildProcess, spawn } from 'node:child_process';
import { readdirSync } from 'node:fs';
import { join } from 'node:path';
import { afterEach, beforeEach, expect, test } from 'vitest';
import { openEventStore } from '../../daemon/server/event-store.ts';
import { eventFolder, listEvents, setTornAside } from '../../daemon/store/event-folder.ts';
import { loadEvent } from '../../daemon/store/load-record.ts';
import { countingAnalyse, temporaryFolder } from '../support/event-builder.ts';

let folder: ReturnType<typeof temporaryFolder>;
beforeEach(() => {
  folder = temporaryFolder();
});
afterEach(() => folder.remove());

const child = new URL('../support/recorder-child.ts', import.meta.url).pathname;

/** Records until `events` are acknowledged and then kills after `more_ms`; the acknowledged ids. */
async function recordAndKill(events: number, more_ms: number): Promise<string[]> {
  const recorder: ChildProcess = spawn(process.execPath, [child, folder.path], {
    stdio: ['ignore', 'pipe', 'pipe'],
  });
  let out = '';
  let troubles = '';
  recorder.stderr?.on('data', (text) => {
    troubles += String(text);
  });
  const ended = new Promise<string | null>((resolve) =>
    recorder.once('close', (_code, signal) => resolve(signal)),
  );
  recorder.stdout?.on('data', (text) => {
    const before = out.split('\n').length - 1;
    out += String(text);
    const now = out.split('\n').length - 1;
    if (before < events && now >= events) setTimeout(() => recorder.kill('SIGKILL'), more_ms);
  });
  expect(await ended, troubles).toBe('SIGKILL');
  return out.split('\n').slice(0, -1);
}

test('killed at any moment, the recorder leaves every acknowledged event whole, and none that is torn', async () => {
  const acknowledged = new Set<string>();
  let torn = 0;
  for (let round = 0; round < 25; round++) {
    for (const id of await recordAndKill(1 + (round % 3), (round * 7) % 23)) acknowledged.add(id);
    const whole = await listEvents(folder.path);
    for (const id of acknowledged) expect(whole).toContain(id);
    for (const id of whole) {
      const { damage, header } = await loadEvent(eventFolder(folder.path, id));
      expect(damage).toEqual([]);
      expect(header.id).toBe(id);
    }
    torn = readdirSync(join(folder.path), { recursive: true }).filter((name) =>
      /\.tmp-\d+$/.test(String(name)),
    ).length;
    expect(torn).toBeLessThanOrEqual(1 + round);
  }
  expect(acknowledged.size).toBeGreaterThanOrEqual(25);
  // The recorder that starts next sets aside what the last one left; here it is done by hand.
  await setTornAside(folder.path);
  const names = readdirSync(join(folder.path, 'events'), { recursive: true }).map(String);
  expect(names.filter((name) => name.includes('.tmp-'))).toEqual([]);
});

test('an index made anew from the folders is the index that was', async () => {
  await recordAndKill(4, 0);
  const make = () => openEventStore({ dataFolder: folder.path, software: 'test', analyse: countingAnalyse });
  const first = make();
  await first.scan();
  const [some] = first.list({ before: null, limit: 1 });
  await first.reanalyse(some.id, 'a second look');
  const rows = first.list({ before: null, limit: 100 });
  expect(rows.length).toBeGreaterThanOrEqual(4);
  expect(rows[0].verdict?.revision).toBe(2);
  expect(rows[0].shape?.minmax_Pa).toHaveLength(96);
  await first.rebuild();
  expect(first.list({ before: null, limit: 100 })).toEqual(rows);
  await first.close();
  const second = make();
  await second.rebuild();
  expect(second.list({ before: null, limit: 100 })).toEqual(rows);
  const page = second.list({ before: rows[1].id, limit: 2 });
  expect(page).toEqual(rows.slice(2, 4));
  await second.close();
  // The first verdict is still there beside the second.
  expect(readdirSync(eventFolder(folder.path, some.id)).filter((name) => name.startsWith('verdict'))).toEqual(
    ['verdict-1.json', 'verdict-2.json'],
  );
});
