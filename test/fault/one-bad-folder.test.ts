import { afterEach, beforeEach, expect, test } from 'vitest';
import { openEventStore } from '../../daemon/server/event-store.ts';
import { EventFolderWrite } from '../../daemon/store/event-folder.ts';
import { disk, type Files } from '../../daemon/store/files.ts';
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
