/** Event folders from elsewhere, torn or made up: each command says in one line what is wrong and ends with 65. */
import { execFileSync, spawnSync } from 'node:child_process';
import { cpSync, readFileSync, rmSync, truncateSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { afterAll, beforeAll, expect, test } from 'vitest';
import { EventFolderWrite, eventFolder } from '../../daemon/store/event-folder.ts';
import { disk } from '../../daemon/store/files.ts';
import { eventContent, temporaryFolder } from '../support/event-builder.ts';

const folder = temporaryFolder();
afterAll(folder.remove);

let whole: string;
beforeAll(async () => {
  const content = eventContent(folder.path);
  await new EventFolderWrite(folder.path, content, disk).write();
  whole = eventFolder(folder.path, content.header.id);
});

/** A copy of the event, spoilt. */
function spoilt(spoil: (event: string) => void): string {
  const copy = join(folder.path, 'spoilt', '20260611T120000Z-T01');
  rmSync(copy, { recursive: true, force: true });
  cpSync(whole, copy, { recursive: true });
  spoil(copy);
  return copy;
}

const replaceByPipe = (name: string) => (event: string) => {
  rmSync(join(event, name));
  execFileSync('mkfifo', [join(event, name)]);
};
const editHeader = (edit: (text: string) => string) => (event: string) => {
  const path = join(event, 'event.json');
  const before = readFileSync(path, 'utf8');
  expect(edit(before)).not.toBe(before);
  writeFileSync(path, edit(before));
};

const cases: readonly [string, (event: string) => void, string][] = [
  ['a header cut short', (event) => truncateSync(join(event, 'event.json'), 700), 'event.json is no JSON'],
  ['a header that is a pipe', replaceByPipe('event.json'), 'this is a named pipe; a file is allowed'],
  ['a trace that is a pipe', replaceByPipe('trace.bin'), 'this is a named pipe; a file is allowed'],
  ['a trace cut in its head', (event) => truncateSync(join(event, 'trace.bin'), 10), 'trace.bin'],
  [
    'a bore of text',
    editHeader((text) => text.replace(/"bore_m": [\d.]+/, '"bore_m": "wide"')),
    'event.json: config.legs.0.bore_m is "wide"; it must be number',
  ],
  [
    'a number without end',
    editHeader((text) => text.replace(/"length_m": [\d.]+/, '"length_m": 1e400')),
    'event.json: config.legs.0.length_m is Infinity; it must be number',
  ],
  ['no legs', editHeader((text) => text.replace('"legs": [', '"legs": [], "x": [')), 'config.legs is []'],
];

test.each(cases)('%s', (_, spoil, words) => {
  // What a configuration holds is checked in one place; the files are opened in several.
  const isFile = !words.includes('config.legs');
  const event = spoilt(spoil);
  const commands = [
    ['analyse', event],
    ['export', event, '--out', join(folder.path, 'never.csv')],
    ['replay', event, '--speed', '0', '--data', join(folder.path, 'replayed')],
  ];
  for (const args of isFile ? commands : commands.slice(0, 1)) {
    const { status, stderr, stdout } = spawnSync(process.execPath, ['daemon/guard.mjs', ...args], {
      encoding: 'utf8',
      timeout: 30_000,
    });
    expect([args[0], status, stdout]).toEqual([args[0], 65, '']);
    expect(stderr).toContain(words);
    expect(stderr.trimEnd().split('\n')).toHaveLength(1);
  }
});

test('a trace that lost its end is judged as far as it goes, and that is said', () => {
  const event = spoilt((at) =>
    truncateSync(join(at, 'trace.bin'), readFileSync(join(at, 'trace.bin')).length - 200),
  );
  for (const args of [
    ['analyse', event],
    ['export', event, '--out', join(folder.path, 'part.csv')],
  ]) {
    const { status, stderr } = spawnSync(process.execPath, ['daemon/guard.mjs', ...args], {
      encoding: 'utf8',
    });
    expect(status).toBe(0);
    expect(stderr).toMatch(/trace\.bin: damaged at byte \d+: .*; the scans there count as lost/);
  }
});
