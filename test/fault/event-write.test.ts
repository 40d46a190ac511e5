import { mkdirSync, readdirSync, readFileSync, writeFileSync } from 'node:fs';
import { basename, dirname, join } from 'node:path';
import { afterEach, beforeEach, describe, expect, test, vi } from 'vitest';
import { EventWriter } from '../../daemon/recorder/event-writer.ts';
import { openEventStore } from '../../daemon/server/event-store.ts';
import { EventFolderWrite, eventFolder, listEvents, setTornAside } from '../../daemon/store/event-folder.ts';
import { disk, type Files } from '../../daemon/store/files.ts';
import { loadEvent } from '../../daemon/store/load-record.ts';
import { systemClock } from '../../drivers/clock.ts';
import { countingAnalyse, eventContent, temporaryFolder } from '../support/event-builder.ts';
import { failingFiles } from '../support/failing-files.ts';
import { silentLog } from '../support/silent-log.ts';

let folder: ReturnType<typeof temporaryFolder>;
beforeEach(() => {
  folder = temporaryFolder();
});
afterEach(() => folder.remove());

function writerOn(files: Files, onWritten: (id: string) => void): EventWriter {
  return new EventWriter({
    dataFolder: folder.path,
    files,
    log: silentLog(),
    clock: {
      ...systemClock,
      monotonic_s: () => 0,
      sleep: () => new Promise((resolve) => setImmediate(resolve)),
    },
    onWritten: (content) => onWritten(content.header.id),
  });
}

async function expectWhole(id: string): Promise<void> {
  const { damage, series } = await loadEvent(eventFolder(folder.path, id));
  expect(damage).toEqual([]);
  expect(series.get('outlet')?.value.length).toBe(1000);
}

/** Operations in the life of an event that is written and judged, with nothing failing. */
async function lifeLength(hasReads = false): Promise<number> {
  const files = failingFiles(Number.POSITIVE_INFINITY, false, hasReads);
  const scratch = temporaryFolder();
  const content = eventContent(scratch.path);
  await new EventFolderWrite(scratch.path, content, files).write();
  const ingest = openEventStore({
    dataFolder: scratch.path,
    software: 'test',
    analyse: countingAnalyse,
    files,
  });
  await ingest.ingest(content.header.id);
  await ingest.close();
  scratch.remove();
  return files.operations();
}

test('an event has at least a write, a sync and a rename in its life', async () => {
  expect(await lifeLength()).toBeGreaterThanOrEqual(15);
});

describe('operation n of an event fails, for every n', () => {
  test('once: the event is written all the same, whole, and acknowledged once', async () => {
    const last = await lifeLength();
    for (let n = 1; n <= last; n++) {
      folder.remove();
      folder = temporaryFolder();
      const files = failingFiles(n, false);
      const acknowledged: string[] = [];
      const writer = writerOn(files, (id) => acknowledged.push(id));
      const content = eventContent(folder.path);
      writer.add(content);
      await writer.finish(60);
      expect(acknowledged, `n = ${n}`).toEqual([content.header.id]);
      expect(writer.counters.eventWritesFailed).toBe(files.hasFailed() ? 1 : 0);
      expect(await listEvents(folder.path)).toEqual([content.header.id]);
      await expectWhole(content.header.id);
    }
  });

  test('and all after it, as if the process had died there: nothing torn is taken for whole, nothing acknowledged is missing', async () => {
    const last = await lifeLength();
    let died = 0;
    for (let n = 1; n <= last; n++) {
      folder.remove();
      folder = temporaryFolder();
      const files = failingFiles(n, true);
      const content = eventContent(folder.path);
      let isAcknowledged = false;
      try {
        await new EventFolderWrite(folder.path, content, files).write();
        isAcknowledged = true;
      } catch (error) {
        expect(String(error)).toMatch(/no space left/);
        died++;
      }
      // What the next start of the recorder finds.
      const torn = await setTornAside(folder.path);
      const whole = await listEvents(folder.path);
      for (const id of whole) await expectWhole(id);
      if (isAcknowledged) expect(whole).toEqual([content.header.id]);
      expect(torn.length + whole.length, `n = ${n}`).toBeLessThanOrEqual(1);
      for (const path of torn) expect(readdirSync(path)).not.toContain('verdict-1.json');
      expect(readdirSync(join(folder.path)).filter((name) => name.includes('.tmp-'))).toEqual([]);
    }
    expect(died).toBeGreaterThan(10);
  });

  test('while its verdict is written: an acknowledged verdict is there, and the next scan makes good what failed', async () => {
    const last = await lifeLength(true);
    for (let n = 1; n <= last; n++) {
      folder.remove();
      folder = temporaryFolder();
      const content = eventContent(folder.path);
      const { id } = content.header;
      await new EventFolderWrite(folder.path, content, disk).write();
      const failing = openEventStore({
        dataFolder: folder.path,
        software: 'test',
        analyse: countingAnalyse,
        files: failingFiles(n, true, true),
      });
      let acknowledged: string | null = null;
      try {
        acknowledged = (await failing.ingest(id))?.file ?? null;
      } catch (error) {
        expect(String(error)).toMatch(/no space left/);
      }
      await failing.close();
      if (acknowledged !== null) expect(readdirSync(eventFolder(folder.path, id))).toContain(acknowledged);
      const healed = openEventStore({ dataFolder: folder.path, software: 'test', analyse: countingAnalyse });
      await healed.scan();
      const row = healed.list({ before: null, limit: 10 })[0];
      expect(row.verdict?.reason).toMatch(/1000 samples/);
      await healed.close();
    }
  });
});

test('a disk that stays full ends with the events counted and the stop not hanging', async () => {
  const writer = writerOn(failingFiles(1, true), () => {
    throw new Error('nothing can have been written');
  });
  for (let second = 0; second < 3; second++) writer.add(eventContent(folder.path, second));
  await writer.finish(0.05);
  expect(writer.counters.eventsDropped).toBe(3);
  expect(writer.counters.eventsWritten).toBe(0);
});

test('left-over folders are set aside under names of their own and never overwritten', async () => {
  const content = eventContent(folder.path);
  for (let round = 0; round < 3; round++) {
    await expect(new EventFolderWrite(folder.path, content, failingFiles(6, true)).write()).rejects.toThrow();
    const [moved] = await setTornAside(folder.path);
    expect(moved).toContain(join(folder.path, 'torn', content.header.id));
  }
  expect(readdirSync(join(folder.path, 'torn'))).toHaveLength(3);
  expect(await listEvents(folder.path)).toEqual([]);
});

test('every file and the folder are synced before the rename, the folders above after it', async () => {
  const calls: string[] = [];
  const noting: Files = {
    ...disk,
    async create(path) {
      const file = await disk.create(path);
      return {
        ...file,
        async sync() {
          calls.push(`sync ${basename(path)}`);
          await file.sync();
        },
      };
    },
    async syncFolder(path) {
      calls.push(`sync folder ${basename(path).replace(/\d+$/, 'N')}`);
      await disk.syncFolder(path);
    },
    async rename(from, to) {
      calls.push('rename');
      await disk.rename(from, to);
    },
  };
  const content = eventContent(folder.path);
  await new EventFolderWrite(folder.path, content, noting).write();
  expect(calls.slice(0, 6)).toEqual([
    'sync trace.bin',
    'sync event.json',
    `sync folder ${content.header.id}.tmp-N`,
    'rename',
    'sync folder N',
    'sync folder N',
  ]);
});

test('a revision that somebody else published meanwhile stays; ours takes the next number', async () => {
  const content = eventContent(folder.path);
  const { id } = content.header;
  await new EventFolderWrite(folder.path, content, disk).write();
  const path = join(eventFolder(folder.path, id), 'verdict-1.json');
  const ingest = openEventStore({
    dataFolder: folder.path,
    software: 'test',
    analyse(record, meta) {
      if (meta.revision === 1) writeFileSync(path, '{"theirs":true}');
      return countingAnalyse(record, meta);
    },
  });
  const ingested = await ingest.ingest(id);
  await ingest.close();
  expect(ingested?.file).toBe('verdict-2.json');
  expect(readFileSync(path, 'utf8')).toBe('{"theirs":true}');
  const above = dirname(eventFolder(folder.path, id));
  expect(readdirSync(above, { recursive: true }).filter((name) => String(name).includes('.tmp-'))).toEqual(
    [],
  );
});

test('what a killed process left of a verdict goes with the next scan, what a living one writes stays', async () => {
  const known = eventContent(folder.path, 0).header.id;
  await new EventFolderWrite(folder.path, eventContent(folder.path, 0), disk).write();
  const ingest = openEventStore({ dataFolder: folder.path, software: 'test', analyse: countingAnalyse });
  await ingest.scan();
  await new EventFolderWrite(folder.path, eventContent(folder.path, 1), disk).write();
  const fresh = eventContent(folder.path, 1).header.id;
  const left = (id: string, pid: number) => `${eventFolder(folder.path, id)}.verdict-1.json.tmp-${pid}`;
  // The largest number a process can have on Linux is 2^22: this one never lived.
  for (const id of [known, fresh]) {
    for (const pid of [4_194_305, process.ppid]) writeFileSync(left(id, pid), '{"half');
  }
  await ingest.scan();
  await ingest.close();
  const names = readdirSync(dirname(eventFolder(folder.path, known))).filter((name) =>
    name.includes('.tmp-'),
  );
  expect(names).toEqual([known, fresh].map((id) => basename(left(id, process.ppid))));
  // The next start of the recorder sets events aside that were torn, and no verdict that a server is writing.
  expect(await setTornAside(folder.path)).toEqual([]);
  expect(readdirSync(eventFolder(folder.path, fresh))).toContain('verdict-1.json');
});

test('an event that cannot be judged is listed with the reason, and does not stand in the way of the next', async () => {
  const good = eventContent(folder.path, 1);
  await new EventFolderWrite(folder.path, eventContent(folder.path, 0), disk).write();
  await new EventFolderWrite(folder.path, good, disk).write();
  writeFileSync(
    join(eventFolder(folder.path, eventContent(folder.path, 0).header.id), 'trace.bin'),
    'no trace',
  );
  const ingest = openEventStore({ dataFolder: folder.path, software: 'test', analyse: countingAnalyse });
  const troubles: (string | null)[] = [];
  await ingest.scan(({ trouble }) => troubles.push(trouble));
  expect(troubles[0]).toMatch(/a trace begins with "TRIPWAVE"/);
  expect(troubles[1]).toBeNull();
  expect(ingest.list({ before: null, limit: 5 }).map((row) => row.verdict === null)).toEqual([false, true]);
  await ingest.close();
});

test('an event whose name is taken gets another, and one that cannot be written holds nobody up', async () => {
  const [first, second, third] = ['20261125T105912Z-AAA', '20261125T105913Z-BBB', '20261125T105914Z-CCC'].map(
    (id) => {
      const content = eventContent(folder.path);
      return { ...content, header: { ...content.header, id } };
    },
  );
  mkdirSync(join(eventFolder(folder.path, first!.header.id), 'something'), { recursive: true });
  const denied: Files = {
    ...disk,
    async makeFolder(path) {
      if (path.includes('BBB')) throw Object.assign(new Error('permission denied'), { code: 'EACCES' });
      await disk.makeFolder(path);
    },
  };
  const written: string[] = [];
  const writer = writerOn(denied, (id) => written.push(id));
  for (const content of [first!, second!, third!]) writer.add(content);
  await vi.waitFor(() => expect(written).toHaveLength(2), 20_000);
  await writer.finish(0);
  expect(written.sort()).toEqual(['20261125T105912Z-AAB', '20261125T105914Z-CCC']);
  await expectWhole('20261125T105912Z-AAB');
  expect(writer.counters).toMatchObject({ eventsWritten: 2, eventsDropped: 1 });
});
