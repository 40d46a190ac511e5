/** One operation of the disk fails, once, while the server writes a verdict. */
import { readdirSync, readFileSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { afterEach, beforeEach, expect, test } from 'vitest';
import { openEventStore } from '../../daemon/server/event-store.ts';
import type { Ingested } from '../../daemon/server/take-in.ts';
import { EventFolderWrite, eventFolder } from '../../daemon/store/event-folder.ts';
import { disk, type Files } from '../../daemon/store/files.ts';
import { countingAnalyse, eventContent, temporaryFolder } from '../support/event-builder.ts';
import { type FailingFiles, failingFiles } from '../support/failing-files.ts';

let folder: ReturnType<typeof temporaryFolder>;
beforeEach(() => {
  folder = temporaryFolder();
});
afterEach(() => folder.remove());

const open = (files: Files) =>
  openEventStore({ dataFolder: folder.path, software: 'test', analyse: countingAnalyse, files });

/** An event in an empty data folder; its id. */
async function writtenEvent(): Promise<string> {
  folder.remove();
  folder = temporaryFolder();
  const content = eventContent(folder.path);
  await new EventFolderWrite(folder.path, content, disk).write();
  return content.header.id;
}

/** Takes the event in and looks twice more, as a server does; every verdict that was acknowledged, and whether any call failed. */
async function judged(id: string, files: FailingFiles) {
  const acknowledged: Ingested[] = [];
  let failures = 0;
  const ingest = open(files);
  const attempt = async (work: () => Promise<void>) => {
    try {
      await work();
    } catch (error) {
      expect(String(error)).toMatch(/no space left/);
      failures++;
    }
  };
  await attempt(async () => {
    const ingested = await ingest.ingest(id);
    if (ingested !== null) acknowledged.push(ingested);
  });
  for (let scan = 0; scan < 2; scan++)
    await attempt(() => ingest.scan((ingested) => acknowledged.push(ingested)));
  await ingest.close();
  return { acknowledged: acknowledged.filter(({ isNew, file }) => isNew && file !== null), failures };
}

test('once: the verdict is made all the same, is whole, and is acknowledged once', async () => {
  const sound = failingFiles(Number.POSITIVE_INFINITY, false, true);
  expect((await judged(await writtenEvent(), sound)).acknowledged).toHaveLength(1);
  const operations = sound.operations();
  expect(operations).toBeGreaterThan(12);
  let failed = 0;
  for (let n = 1; n <= operations; n++) {
    const id = await writtenEvent();
    const { acknowledged, failures } = await judged(id, failingFiles(n, false, true));
    failed += failures;
    const own = eventFolder(folder.path, id);
    const verdicts = readdirSync(own).filter((name) => name.startsWith('verdict-'));
    expect(
      acknowledged.map(({ file }) => file),
      `n = ${n}`,
    ).toEqual(verdicts);
    expect(verdicts, `n = ${n}`).toHaveLength(1);
    for (const name of verdicts)
      expect(JSON.parse(readFileSync(join(own, name), 'utf8')).reason).toMatch(/1000 samples/);
    expect(
      readdirSync(dirname(own), { recursive: true }).filter((name) => String(name).includes('.tmp-')),
    ).toEqual([]);
    const next = open(disk);
    const [row] = next.list({ before: null, limit: 2 });
    await next.rebuild();
    expect(next.list({ before: null, limit: 2 }), `n = ${n}`).toEqual([row]);
    await next.close();
  }
  expect(failed).toBeGreaterThan(8);
});

test('a verdict is acknowledged when its name lasts, also when the first sync of its folder failed', async () => {
  const id = await writtenEvent();
  const own = eventFolder(folder.path, id);
  const unsynced = new Set<string>();
  let isFailing = true;
  const ingest = open({
    ...disk,
    async publish(from, to) {
      await disk.publish(from, to);
      unsynced.add(to);
    },
    async syncFolder(path) {
      if (isFailing) throw Object.assign(new Error('i/o error'), { code: 'EIO' });
      await disk.syncFolder(path);
      if (path === own) unsynced.clear();
    },
  });
  await expect(ingest.ingest(id)).rejects.toThrow('i/o error');
  expect(unsynced).toEqual(new Set([join(own, 'verdict-1.json')]));
  isFailing = false;
  const acknowledged: (string | null)[] = [];
  await ingest.scan(({ file }) => {
    expect(unsynced).toEqual(new Set());
    acknowledged.push(file);
  });
  expect(acknowledged).toEqual(['verdict-1.json']);
  await ingest.close();
});
