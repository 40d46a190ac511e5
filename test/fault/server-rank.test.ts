/** The server shares machine and control group with the recorder and must never cost it anything. */
import { type ChildProcess, spawn, spawnSync } from 'node:child_process';
import { once } from 'node:events';
import { existsSync, readdirSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { afterEach, beforeEach, expect, test, vi } from 'vitest';
import { launchNode } from '../../daemon/recorder/server-rank.ts';
import { openEventStore } from '../../daemon/server/event-store.ts';
import { listEvents } from '../../daemon/store/event-folder.ts';
import { countingAnalyse, temporaryFolder } from '../support/event-builder.ts';

const recorderModule = new URL('../support/recorder-child.ts', import.meta.url).pathname;
const serverModule = new URL('../support/store-server.ts', import.meta.url).pathname;
const realTime = ['chrt', '--fifo', '5'];
const mayBeRealTime = spawnSync(realTime[0]!, [...realTime.slice(1), 'true']).status === 0;
const patient = { timeout: 60_000, interval: 20 };

let folder: ReturnType<typeof temporaryFolder>;
let recorder: ChildProcess | null = null;
let acknowledged = '';
beforeEach(() => {
  folder = temporaryFolder();
  acknowledged = '';
});
afterEach(async () => {
  if (recorder !== null && recorder.exitCode === null && recorder.signalCode === null) {
    recorder.kill('SIGKILL');
    await once(recorder, 'exit');
  }
  folder.remove();
});

function start(prefix: readonly string[], environment: NodeJS.ProcessEnv = {}): void {
  const words = [...prefix, process.execPath, recorderModule, folder.path, serverModule];
  recorder = spawn(words[0]!, words.slice(1), {
    env: { ...process.env, ...environment },
    stdio: ['ignore', 'pipe', 'ignore'],
  });
  recorder.stdout?.on('data', (text) => {
    acknowledged += String(text);
  });
}

const pidFile = () => join(folder.path, 'server.pid');
const serverPid = () => Number(readFileSync(pidFile(), 'utf8'));
/** proc(5): field 19 is the niceness, field 41 the scheduling policy (0: ordinary). */
const field = (path: string, number: number) => {
  const stat = readFileSync(`${path}/stat`, 'utf8');
  return Number(stat.slice(stat.lastIndexOf(')') + 2).split(' ')[number - 3]);
};
const threads = (pid: number) => readdirSync(`/proc/${pid}/task`).map((name) => `/proc/${pid}/task/${name}`);

async function expectBehind(recorderPolicy: number): Promise<void> {
  await vi.waitFor(() => expect(existsSync(pidFile())).toBe(true), patient);
  const own = `/proc/${recorder!.pid}`;
  expect(field(own, 41)).toBe(recorderPolicy);
  const wanted = Math.min(19, field(own, 19) + 10);
  await vi.waitFor(() => {
    expect(threads(serverPid()).map((thread) => field(thread, 19))).toEqual(
      threads(serverPid()).map(() => wanted),
    );
  }, patient);
  expect(threads(serverPid()).map((thread) => field(thread, 41))).toEqual(threads(serverPid()).map(() => 0));
  const score = (pid: number) => Number(readFileSync(`/proc/${pid}/oom_score_adj`, 'utf8'));
  expect(score(serverPid())).toBeGreaterThanOrEqual(500);
  expect(score(serverPid())).toBeGreaterThan(score(recorder!.pid!));
  expect(readFileSync(`/proc/${serverPid()}/cmdline`, 'utf8')).toMatch(/--max-old-space-size=\d+/);
}

test('every thread of the server is nicer than the recorder, and memory is taken from the server first', async () => {
  start([]);
  await expectBehind(0);
});

test.skipIf(!mayBeRealTime)('a recorder with real-time priority starts an ordinary server', async () => {
  start(realTime);
  await expectBehind(1);
});

test('a recorder with real-time priority starts its server through chrt', () => {
  expect(launchNode(1, (path) => path === '/usr/bin/chrt')).toEqual({
    execPath: '/usr/bin/chrt',
    first: ['--other', '0', process.execPath],
    isOrdinary: true,
  });
});

test('where nothing can take the real-time priority away, that is said', () => {
  expect(launchNode(1, () => false)).toEqual({ execPath: process.execPath, first: [], isOrdinary: false });
  expect(launchNode(0, () => false).isOrdinary).toBe(true);
});

test('a server out of memory in the middle of a trip costs nothing and comes back', async () => {
  start([], { TEST_SERVER: 'hoards', NODE_OPTIONS: '--max-old-space-size=64' });
  await vi.waitFor(() => expect(existsSync(pidFile())).toBe(true), patient);
  const first = serverPid();
  await vi.waitFor(() => expect(existsSync(join(folder.path, 'hoarded'))).toBe(true), patient);
  await vi.waitFor(() => expect(serverPid()).not.toBe(first), patient);
  await vi.waitFor(() => expect(acknowledged.split('\n').length).toBeGreaterThan(4), patient);
  expect(recorder?.exitCode).toBeNull();
  recorder?.kill('SIGKILL');
  await once(recorder!, 'exit');
  const events = acknowledged.trim().split('\n');
  expect(await listEvents(folder.path)).toEqual(expect.arrayContaining(events));
  const ingest = openEventStore({ dataFolder: folder.path, software: 'test', analyse: countingAnalyse });
  await ingest.scan();
  const judged = ingest.list({ before: null, limit: 1000 }).filter(({ verdict }) => verdict !== null);
  expect(judged.map(({ id }) => id)).toEqual(expect.arrayContaining(events));
  await ingest.close();
});
