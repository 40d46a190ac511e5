/** A server that outlived its recorder, and what is not taken for one. */
import { type ChildProcess, fork, spawn } from 'node:child_process';
import { once } from 'node:events';
import { existsSync, readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { afterEach, beforeEach, expect, test, vi } from 'vitest';
import type { HelloMessage, ToRecorder } from '../../daemon/recorder/messages.ts';
import { takeServerLock } from '../../daemon/server/server-lock.ts';
import { temporaryFolder } from '../support/event-builder.ts';
import { syntheticConfig } from '../support/synthetic-rig.ts';

const module = new URL('../../daemon/server/main.ts', import.meta.url).pathname;
const patient = { timeout: 60_000, interval: 20 };

let folder: ReturnType<typeof temporaryFolder>;
let children: ChildProcess[];
beforeEach(() => {
  folder = temporaryFolder();
  children = [];
});
afterEach(async () => {
  for (const child of children) {
    if (child.exitCode !== null || child.signalCode !== null) continue;
    child.kill('SIGKILL');
    await once(child, 'exit');
  }
  folder.remove();
});

interface Started {
  readonly child: ChildProcess;
  readonly answers: ToRecorder[];
}

function server(port: number, dataFolder = folder.path): Started {
  const child = fork(module, [], { serialization: 'advanced', stdio: ['ignore', 'ignore', 'ignore', 'ipc'] });
  children.push(child);
  const answers: ToRecorder[] = [];
  child.on('message', (message) => answers.push(message as ToRecorder));
  const config = { ...syntheticConfig, dataFolder, server: { host: '127.0.0.1', port } };
  const anchor = { time_s: 0, wall_ms: Date.now() };
  const hello: HelloMessage = { kind: 'hello', config, software: 'tripwave', boot: 'b', anchor };
  child.send(hello);
  return { child, answers };
}

async function portOf({ answers }: Started): Promise<number> {
  await vi.waitFor(() => expect(answers.map(({ kind }) => kind)).toContain('ready'), patient);
  return answers.flatMap((answer) => (answer.kind === 'ready' ? [answer.port] : []))[0]!;
}

const isAlive = (child: ChildProcess) => child.exitCode === null && child.signalCode === null;

test('one that was stopped when its recorder died is ended, and the next has port and databases', async () => {
  const old = server(0);
  const port = await portOf(old);
  old.child.kill('SIGSTOP');
  // What a killed recorder leaves: the channel is closed and the stopped process sees nothing of it.
  old.child.disconnect();
  const next = server(port);
  expect(await portOf(next)).toBe(port);
  await vi.waitFor(() => expect(isAlive(old.child)).toBe(false), patient);
  expect((await fetch(`http://127.0.0.1:${port}/healthz`)).status).toBe(200);
  expect(next.answers.map(({ kind }) => kind)).not.toContain('unbound');
});

test('one that does not end when it is asked is killed', async () => {
  const lock = join(folder.path, 'server.lock');
  // This program by its words, deaf to SIGTERM, with the lock open: what a hung server is.
  const deaf = spawn(
    process.execPath,
    [
      '-e',
      `process.on('SIGTERM', () => undefined);
       const fs = require('node:fs');
       const stat = fs.readFileSync('/proc/self/stat', 'utf8');
       const started = stat.slice(stat.lastIndexOf(')') + 2).split(' ')[19];
       fs.writeFileSync(process.argv[1], JSON.stringify({ pid: process.pid, started }));
       fs.openSync(process.argv[1], 'r');
       setInterval(() => undefined, 1000);
       console.log('held');`,
      lock,
      module,
    ],
    { stdio: ['ignore', 'pipe', 'ignore'] },
  );
  children.push(deaf);
  await once(deaf.stdout!, 'data');
  await portOf(server(0));
  await vi.waitFor(() => expect(deaf.signalCode).toBe('SIGKILL'), patient);
});

test('a server of another data folder is left alone, and so is any other program of that number', async () => {
  const second = temporaryFolder();
  try {
    const neighbour = server(0, second.path);
    await portOf(neighbour);
    const lock = join(folder.path, 'server.lock');
    // The neighbour's own lock, laid into this folder: it does not hold this file.
    writeFileSync(lock, readFileSync(join(second.path, 'server.lock')));
    const first = server(0);
    await portOf(first);
    expect(isAlive(neighbour.child)).toBe(true);
    first.child.disconnect();
    await once(first.child, 'exit');
    expect(existsSync(lock)).toBe(false);

    // Another program, with its right start time.
    const other = spawn('sleep', ['60'], { stdio: 'ignore' });
    children.push(other);
    const stat = readFileSync(`/proc/${other.pid}/stat`, 'utf8');
    const started = stat.slice(stat.lastIndexOf(')') + 2).split(' ')[19];
    writeFileSync(lock, JSON.stringify({ pid: other.pid, started }));
    await portOf(server(0));
    expect(isAlive(other)).toBe(true);
  } finally {
    second.remove();
  }
});

test.each(['', '{', '{"pid":1,"started":"1"}', '[]'])(
  'a lock file that reads %j ends nobody',
  async (text) => {
    writeFileSync(join(folder.path, 'server.lock'), text);
    await portOf(server(0));
  },
);

test('one that ends by itself before it is asked costs no lock', async () => {
  const old = server(0);
  await portOf(old);
  const kill = process.kill.bind(process);
  const spy = vi.spyOn(process, 'kill').mockImplementation((pid, name) => {
    kill(pid, 'SIGKILL');
    throw Object.assign(new Error(`kill ESRCH ${name}`), { code: 'ESRCH' });
  });
  const said: string[] = [];
  try {
    const lock = await takeServerLock(folder.path, (text) => said.push(text));
    expect(said).toEqual([expect.stringContaining('an orphaned server')]);
    expect(JSON.parse(readFileSync(join(folder.path, 'server.lock'), 'utf8')).pid).toBe(process.pid);
    await lock.release();
  } finally {
    spy.mockRestore();
  }
});
