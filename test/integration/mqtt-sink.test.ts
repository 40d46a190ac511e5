import { afterEach, expect, test } from 'vitest';
import type { MqttSinkConfig } from '../../config/publish.ts';
import { MqttSink } from '../../daemon/publish/mqtt/sink.ts';
import { OldBroker } from '../support/brokers.ts';
import { describeSink } from '../support/describe-sink.ts';
import { everyPayload, messagesOf } from '../support/publish-messages.ts';
import { mqttConfig } from '../support/sink-configs.ts';
import { sinkStart } from '../support/sink-start.ts';

const ends: (() => Promise<void>)[] = [];
afterEach(async () => {
  for (const end of ends.splice(0).reverse()) await end();
  delete process.env['TEST_PASSWORD'];
});

function made(url: string, change: Partial<MqttSinkConfig> = {}): MqttSink {
  return new MqttSink(mqttConfig(url, { timeout_s: 2, ...change }));
}

function start(sink: MqttSink, wake: () => void = () => undefined): void {
  sink.start(sinkStart({ wake }));
  ends.push(() => sink.stop());
}

async function broker(): Promise<OldBroker> {
  const old = new OldBroker();
  await old.open();
  ends.push(() => old.shut());
  return old;
}

const batch = { isHistorical: false, messages: messagesOf(everyPayload()) };

describeSink('mqtt', async () => {
  const old = new OldBroker();
  await old.open();
  process.env['TEST_PASSWORD'] = 'very-secret';
  return {
    sink: made(old.url, { user: 'u', password: { from: 'variable', variable: 'TEST_PASSWORD' } }),
    open: () => old.open(),
    shut: () => old.shut(),
    hang: async () => old.hang(),
    end: () => old.shut(),
  };
});

test('a broker of 3.1.1 alone refuses 5 and gets 3.1.1 in the same attempt', async () => {
  const old = await broker();
  const sink = made(old.url);
  start(sink);
  const delivery = await sink.deliver(batch, AbortSignal.timeout(5000));
  expect(delivery).toEqual({ settled: batch.messages.length, rejected: [], unavailable: null });
  expect(old.versions).toEqual([5, 4]);
});

test('with version 5 asked for there is no second attempt, and the refusal is told', async () => {
  const old = await broker();
  const sink = made(old.url, { version: '5' });
  start(sink);
  const { settled, unavailable } = await sink.deliver(batch, AbortSignal.timeout(5000));
  expect(settled).toBe(0);
  expect(unavailable?.why).toContain('protocol version');
  expect(old.versions).not.toContain(4);
});

test('a missing password is told by its place, never by its content, and is looked for anew', async () => {
  const old = await broker();
  const sink = made(old.url, { user: 'u', password: { from: 'variable', variable: 'TEST_PASSWORD' } });
  start(sink);
  const first = await sink.deliver(batch, AbortSignal.timeout(5000));
  expect(first.unavailable?.why).toBe('the variable TEST_PASSWORD is not set');
  process.env['TEST_PASSWORD'] = 'there';
  expect((await sink.deliver(batch, AbortSignal.timeout(5000))).unavailable).toBeNull();
});

test('a lost connection comes back by itself and says so', async () => {
  const old = await broker();
  let woken = 0;
  const sink = made(old.url);
  start(sink, () => woken++);
  await expect.poll(() => woken, { timeout: 5000 }).toBe(1);
  await old.shut();
  await old.open();
  await expect.poll(() => woken, { timeout: 15_000 }).toBe(2);
});

test('a stopped sink leaves no socket', async () => {
  const old = await broker();
  const sink = made(old.url);
  start(sink);
  await sink.deliver(batch, AbortSignal.timeout(5000));
  expect(old.sockets).toBe(1);
  await sink.stop();
  await expect.poll(() => old.sockets).toBe(0);
});

test('a sink that is stopped while it connects leaves no socket either', async () => {
  const old = await broker();
  old.hang();
  const sink = made(old.url, { timeout_s: 30 });
  start(sink);
  await expect.poll(() => old.sockets).toBe(1);
  await sink.stop();
  await expect.poll(() => old.sockets).toBe(0);
});
