import { type ChildProcess, fork } from 'node:child_process';
import { once } from 'node:events';
import { mkdtemp, rm } from 'node:fs/promises';
import { createServer } from 'node:net';
import { tmpdir } from 'node:os';
import { join, resolve } from 'node:path';
import { afterEach, beforeEach, expect, test, vi } from 'vitest';
import type { HelloMessage, ReadyMessage, ToRecorder } from '../../daemon/recorder/messages.ts';
import { syntheticConfig } from '../support/synthetic-rig.ts';

const module = resolve(import.meta.dirname, '../../daemon/server/main.ts');

let folder: string;
let child: ChildProcess;
let answers: ToRecorder[];

beforeEach(async () => {
  folder = await mkdtemp(join(tmpdir(), 'tripwave-child-'));
  child = fork(module, [], { serialization: 'advanced', stdio: ['ignore', 'ignore', 'ignore', 'ipc'] });
  answers = [];
  child.on('message', (message) => answers.push(message as ToRecorder));
});
afterEach(async () => {
  child.kill('SIGKILL');
  await rm(folder, { recursive: true });
});

function hello(port: number): HelloMessage {
  const config = { ...syntheticConfig, dataFolder: folder, server: { host: '127.0.0.1', port } };
  return {
    kind: 'hello',
    config,
    software: 'tripwave 0.1.0',
    boot: 'b',
    anchor: { time_s: 0, wall_ms: Date.now() },
  };
}

async function ready(): Promise<ReadyMessage> {
  await vi.waitFor(() => expect(answers.map(({ kind }) => kind)).toContain('ready'), 50_000);
  return answers.find((answer) => answer.kind === 'ready')!;
}

test('says where it listens, gives one credit for each live message, and ends with its channel', async () => {
  child.send(hello(0));
  const { host, port } = await ready();
  expect([host, port > 0]).toEqual(['127.0.0.1', true]);
  const values = new Float64Array(4 * syntheticConfig.channels.length);
  const counts = new Uint32Array(syntheticConfig.channels.length);
  const flags = new Uint8Array(syntheticConfig.channels.length);
  for (let sequence = 0; sequence < 3; sequence++) {
    const live = { time_s: sequence, period_s: 0.05, values, counts, flags, droppedBefore: 0 };
    child.send({ kind: 'summary', sequence, ...live });
  }
  child.send({
    kind: 'status',
    time_s: 3,
    phase: 'running',
    tripIn_s: null,
    lines: [],
    counters: { eventsClosed: 2 },
  });
  const credits = () => answers.flatMap((answer) => (answer.kind === 'credit' ? [answer.count] : []));
  await vi.waitFor(() => expect(credits()).toEqual([1, 1, 1, 1]), 20_000);
  const status = await (await fetch(`http://127.0.0.1:${port}/api/status`)).json();
  expect(status).toMatchObject({ phase: 'running', counters: { eventsClosed: 2 } });
  expect((await (await fetch(`http://127.0.0.1:${port}/api/events`)).json()).events).toEqual([]);

  child.disconnect();
  expect(await once(child, 'exit')).toEqual([0, null]);
});

test('a port in use is said with the remedy, and taken once it is free', async () => {
  const holder = createServer().listen(0, '127.0.0.1');
  await once(holder, 'listening');
  const { port } = holder.address() as { port: number };
  child.send(hello(port));
  await vi.waitFor(() => expect(answers.map(({ kind }) => kind)).toContain('unbound'), 50_000);
  const why = `Port ${port} on 127.0.0.1 is in use. Stop the program that uses it, or choose another with --port.`;
  expect(answers).toContainEqual({ kind: 'unbound', host: '127.0.0.1', port, why });
  holder.close();
  expect((await ready()).port).toBe(port);
});

test('an event that is not there is no reason to fall over', async () => {
  child.send(hello(0));
  const { port } = await ready();
  for (const event of ['20260101T000000000-none', '../../etc']) {
    child.send({ kind: 'event-closed', event, folder: '/nowhere', closed_s: 1 });
  }
  child.send({ kind: 'status', time_s: 3, phase: 'waiting', tripIn_s: null, lines: [], counters: {} });
  await vi.waitFor(() => expect(answers.map(({ kind }) => kind)).toContain('credit'), 20_000);
  expect((await fetch(`http://127.0.0.1:${port}/healthz`)).status).toBe(200);
});
