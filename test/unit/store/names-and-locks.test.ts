/** Names of verdicts that have no next number, and the lock of a folder whose disk was full. */
import { execFileSync } from 'node:child_process';
import { mkdirSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { expect, test } from 'vitest';
import { UnavailableError } from '../../../daemon/errors.ts';
import { disk } from '../../../daemon/store/files.ts';
import { lockWhenPossible } from '../../../daemon/store/folder-lock.ts';
import { listRing } from '../../../daemon/store/ring-read.ts';
import { listRevisions } from '../../../daemon/store/verdict-files.ts';
import { temporaryFolder } from '../../support/event-builder.ts';

test('a revision is a whole number that has a next one, as it is written', async () => {
  const folder = temporaryFolder();
  const others = ['verdict-100000000000000000000.json', 'verdict-01.json', 'verdict-0.json', 'verdict-.json'];
  for (const name of [...others, 'verdict-2.json', 'verdict-10.json'])
    writeFileSync(join(folder.path, name), '');
  expect(await listRevisions(folder.path, disk)).toEqual([2, 10]);
  folder.remove();
});

test('no line is added to a file before the folder is locked', async () => {
  const folder = temporaryFolder();
  const path = join(folder.path, 'lines.jsonl');
  let why: Error = Object.assign(new Error('no space'), { code: 'ENOSPC' });
  const { files } = lockWhenPossible(folder.path, disk, () => {
    throw why;
  });
  why = new UnavailableError('another recorder writes there');
  await expect(files.append(path)).rejects.toThrow('another recorder');
  expect(await disk.list(folder.path)).toEqual([]);
  folder.remove();
});

test('a pipe in the ring is passed over and blocks no reader', { timeout: 5_000 }, async () => {
  const own = temporaryFolder();
  mkdirSync(join(own.path, 'ring'));
  execFileSync('mkfifo', [join(own.path, 'ring', '20261125T14Z.seg')]);
  expect(await listRing(own.path)).toEqual([]);
  own.remove();
});
