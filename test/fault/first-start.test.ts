/** The first start on a data folder that takes nothing. Small file systems in memory stand for the disk. */
import { spawn, spawnSync } from 'node:child_process';
import { once } from 'node:events';
import { existsSync, mkdirSync, rmSync, statfsSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { afterEach, beforeEach, expect, type TestContext, test, vi } from 'vitest';
import { type Recorder, startRecorder } from '../../daemon/recorder/recorder.ts';
import { listEvents } from '../../daemon/store/event-folder.ts';
import { disk, type Files } from '../../daemon/store/files.ts';
import { lockDataFolder, lockWhenPossible } from '../../daemon/store/folder-lock.ts';
import { temporaryFolder } from '../support/event-builder.ts';
import { pushedLine } from '../support/pushed-line.ts';
import { PushedDriver, recorderRig } from '../support/recorder-rig.ts';
import { silentLog } from '../support/silent-log.ts';
import { feedInterval_s, TripFeed } from '../support/trip-feed.ts';

const checkout = join(import.meta.dirname, '../..');
const serverModule = join(checkout, 'daemon/server/main.ts');
const patient = { timeout: 60_000, interval: 50 };

let folder: ReturnType<typeof temporaryFolder>;
let recorder: Recorder | null = null;
let mounted: string | null = null;
beforeEach(() => {
  folder = temporaryFolder();
});
afterEach(async () => {
  await recorder?.stop();
  recorder = null;
  if (mounted !== null) spawnSync('umount', ['-l', mounted]);
  mounted = null;
  folder.remove();
});

/** Mounts a small file system; a user who may mount none skips the test, which is counted. */
function mount(options: string, { skip }: Pick<TestContext, 'skip'>): void {
  const place = join(folder.path, 'disk');
  mkdirSync(place);
  const { status } = spawnSync('mount', ['-t', 'tmpfs', '-o', options, 'tripwave-test', place]);
  if (status !== 0) skip('this user may mount no small file system (needs root)');
  mounted = place;
}

/** Fills whatever room there is. */
function fill(place: string): string {
  const { bavail, bsize } = statfsSync(place);
  const path = join(place, 'filler');
  writeFileSync(path, Buffer.alloc(bavail * bsize));
  return path;
}

async function start(dataFolder: string, files?: Files) {
  const driver = new PushedDriver(feedInterval_s);
  const log = silentLog();
  recorder = await startRecorder(
    { ...recorderRig({ dataFolder }), lines: [pushedLine] },
    { serverModule, createDriver: () => driver, log, ...(files === undefined ? {} : { files }) },
  );
  const seen = { trips: 0, closed: [] as string[], judged: [] as string[], port: 0 };
  recorder.on('trip', () => {
    seen.trips++;
  });
  recorder.on('event-closed', ({ event }) => seen.closed.push(event));
  recorder.on('verdict', ({ event }) => seen.judged.push(event));
  recorder.on('ready', ({ port }) => {
    seen.port = port;
  });
  return { feed: new TripFeed(driver), seen, log };
}

test('a full disk: trips are declared, the page says what is the matter, and all is written once there is room', async (context) => {
  mount('size=8m', context);
  const filler = fill(mounted!);
  const { feed, seen } = await start(join(mounted!, 'data'));
  feed.pushTrip();
  await vi.waitFor(() => expect(seen.port).toBeGreaterThan(0), patient);
  expect(seen.trips).toBe(1);
  expect(seen.closed).toEqual([]);
  await vi.waitFor(async () => {
    const { troubles } = await (await fetch(`http://127.0.0.1:${seen.port}/api/status`)).json();
    expect(troubles.map(({ key }: { key: string }) => key)).toContain('volatile');
  }, patient);
  expect(recorder?.status().counters['serverExits']).toBe(0);

  rmSync(filler);
  await vi.waitFor(() => expect(seen.judged).toHaveLength(1), patient);
  expect(await listEvents(join(mounted!, 'data'))).toEqual(seen.closed);
  await vi.waitFor(async () => {
    const { troubles } = await (await fetch(`http://127.0.0.1:${seen.port}/api/status`)).json();
    expect(troubles.map(({ key }: { key: string }) => key)).not.toContain('volatile');
  }, patient);
});

test('a disk without room for even the folder: nothing is written before the lock is had', async () => {
  const place = join(folder.path, 'data');
  // Stands where the folder is to be, so that it cannot be made, like a disk without a free inode.
  let isFull = true;
  const full = Object.assign(new Error('no space left on device'), { code: 'ENOSPC' });
  const locked = lockWhenPossible(place, disk, (path) => {
    if (isFull) throw full;
    return lockDataFolder(path);
  });
  expect(locked.why).toBe('no space left on device');
  await expect(locked.files.makeFolder(join(place, 'ring'))).rejects.toThrow('no space left');
  await expect(locked.files.create(join(place, 'x'))).rejects.toThrow('no space left');
  await expect(locked.files.append(join(place, 'x'))).rejects.toThrow('no space left');
  expect(existsSync(place)).toBe(false);
  isFull = false;
  await locked.files.makeFolder(join(place, 'ring'));
  expect(() => lockDataFolder(place)).toThrow(/another recorder/);
  locked.release();
  lockDataFolder(place).release();
});

/** `run` as a person calls it; ends by itself or the test fails. */
async function run(dataFolder: string, prefix: readonly string[] = []) {
  const words = [
    ...prefix,
    process.execPath,
    'daemon/guard.mjs',
    'run',
    'config/station.yaml',
    '--port',
    '0',
  ];
  const { NODE_COMPILE_CACHE: _, ...env } = process.env;
  const child = spawn(words[0]!, [...words.slice(1), '--data', dataFolder], {
    cwd: checkout,
    env,
    stdio: ['ignore', 'ignore', 'pipe'],
  });
  let said = '';
  child.stderr.on('data', (text) => {
    said += String(text);
  });
  const [code] = await once(child, 'exit');
  return { code, said };
}

test('a read-only folder ends run with 78 and one sentence with the remedy', async (context) => {
  mount('size=1m', context);
  spawnSync('mount', ['-o', 'remount,ro', mounted!]);
  const { code, said } = await run(join(mounted!, 'data'));
  expect(said).toBe(
    `data folder ${mounted}/data: nothing could be kept there; it is mounted read-only: mount it for writing, or name another with --data or dataFolder\n`,
  );
  expect(code).toBe(78);
});

test('a forbidden folder ends run with 78 and one sentence with the remedy', async () => {
  const isRoot = process.getuid?.() === 0;
  const other = isRoot ? ['setpriv', '--reuid=65534', '--regid=65534', '--clear-groups'] : [];
  const locked = join(folder.path, 'locked');
  mkdirSync(locked, { mode: isRoot ? 0o755 : 0o555 });
  spawnSync('chmod', ['755', folder.path]);
  const { code, said } = await run(join(locked, 'data'), other);
  expect(said).toContain('this user may not write there: give it to the user that records (chown)');
  expect(said.trim().split('\n')).toHaveLength(1);
  expect(code).toBe(78);
});
