import { spawn } from 'node:child_process';
import { copyFileSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, describe, expect, test } from 'vitest';
import type { MqttSinkConfig } from '../../config/publish.ts';
import { MqttSink } from '../../daemon/publish/mqtt/sink.ts';
import { CutWire, hasMosquitto, listen, makeCertificates, startMosquitto } from '../support/brokers.ts';
import { freePort } from '../support/databases.ts';
import { oneSinkOutbox, startMqttTask } from '../support/outbox-task.ts';
import { everyPayload, messagesOf, start_ms, summaryPayload } from '../support/publish-messages.ts';
import { mqttConfig } from '../support/sink-configs.ts';
import { sinkStart } from '../support/sink-start.ts';

if (!hasMosquitto) console.warn('SKIPPED: tests against a real broker need the Debian package mosquitto');

const ends: (() => unknown)[] = [];
afterEach(async () => {
  for (const end of ends.splice(0).reverse()) await end();
});

function folder(): string {
  const path = mkdtempSync(join(tmpdir(), 'tripwave-mqtt-'));
  ends.push(() => rmSync(path, { recursive: true, force: true }));
  return path;
}

async function broker(lines?: (folder: string) => readonly string[]): Promise<number> {
  const { port, stop } = await startMosquitto(await freePort(), lines);
  ends.push(stop);
  return port;
}

function config(url: string, change: Partial<MqttSinkConfig> = {}): MqttSinkConfig {
  return mqttConfig(url, { timeout_s: 5, ...change });
}

function started(url: string, change: Partial<MqttSinkConfig> = {}): MqttSink {
  const sink = new MqttSink(config(url, change));
  sink.start(sinkStart());
  ends.push(() => sink.stop());
  return sink;
}

async function listener(url: string, topic: string, options = {}) {
  const { client, heard } = await listen(url, topic, options);
  ends.push(() => client.endAsync(true));
  return heard;
}

const batch = { isHistorical: false, messages: messagesOf(everyPayload()) };

describe.skipIf(!hasMosquitto)('a real broker', () => {
  test('gets every kind on its topic, QoS 1, not retained, over protocol 5', async () => {
    const url = `mqtt://127.0.0.1:${await broker()}`;
    const heard = await listener(url, 'tripwave/marrowfen-1/#', { protocolVersion: 5 });
    const sink = started(url, { version: '5' });
    const { settled, unavailable } = await sink.deliver(batch, AbortSignal.timeout(10_000));
    expect({ settled, unavailable }).toEqual({ settled: batch.messages.length, unavailable: null });
    await expect.poll(() => heard.length).toBe(1 + batch.messages.length);
    expect(heard.map(({ topic }) => topic.split('/').at(-1))).toEqual([
      'status',
      ...batch.messages.map(({ payload }) => payload.kind),
    ]);
    expect(heard.every(({ packet }) => packet.qos === 1)).toBe(true);
    const late = await listener(url, 'tripwave/#');
    await expect.poll(() => late.length).toBe(1);
    expect(JSON.parse(late[0]!.body.toString())).toMatchObject({ state: 'online', node: 'marrowfen-1' });
  });

  test('tells everybody that the station is gone: by its goodbye, and by its last will after kill -9', async () => {
    const url = `mqtt://127.0.0.1:${await broker()}`;
    const heard = await listener(url, 'tripwave/marrowfen-1/status');
    const states = () => heard.map(({ body }) => JSON.parse(body.toString()).state);
    const sink = started(url);
    await expect.poll(states, { timeout: 10_000 }).toEqual(['online']);
    await sink.stop();
    await expect.poll(states).toEqual(['online', 'offline']);

    const child = spawn(process.execPath, [
      new URL('../support/mqtt-child.ts', import.meta.url).pathname,
      JSON.stringify(config(url)),
    ]);
    ends.push(() => child.kill('SIGKILL'));
    await expect.poll(states, { timeout: 20_000 }).toEqual(['online', 'offline', 'online']);
    child.kill('SIGKILL');
    await expect.poll(states, { timeout: 20_000 }).toEqual(['online', 'offline', 'online', 'offline']);
    const late = await listener(url, 'tripwave/#');
    await expect.poll(() => late.map(({ body }) => body.toString())).toEqual(['{"state":"offline"}']);
    expect(late[0]!.packet.retain).toBe(true);
  });

  test('over TLS with a certificate of its own; without it, or to a stranger, nothing is sent and the reason is told', async () => {
    const pem = folder();
    makeCertificates(pem);
    const file = (name: string) => join(pem, name);
    const port = await broker(() => [
      `cafile ${file('authority.crt')}`,
      `certfile ${file('broker.crt')}`,
      `keyfile ${file('broker.key')}`,
      'require_certificate true',
      'use_identity_as_username true',
    ]);
    const url = `mqtts://127.0.0.1:${port}`;
    const own = { certificate: file('station.crt'), key: file('station.key') };
    const sent = (change: Partial<MqttSinkConfig>, name: string) =>
      started(url, { name, ...change }).deliver(batch, AbortSignal.timeout(10_000));
    expect(await sent({ authority: file('authority.crt'), ...own }, 'a')).toMatchObject({
      settled: batch.messages.length,
      unavailable: null,
    });
    const bare = await sent({ authority: file('authority.crt') }, 'b');
    expect(bare.settled).toBe(0);
    expect(bare.unavailable?.why).toMatch(/certificate|hung up|closed|reset/i);
    const stranger = await sent({ authority: file('stranger.crt'), ...own }, 'c');
    expect(stranger.settled).toBe(0);
    expect(stranger.unavailable?.why).toMatch(/certificate/i);
    // Files that are replaced, as a renewal does, are used by the next connection without a restart.
    copyFileSync(file('stranger.crt'), file('renewed.crt'));
    const sink = started(url, { name: 'd', authority: file('renewed.crt'), ...own });
    expect((await sink.deliver(batch, AbortSignal.timeout(10_000))).settled).toBe(0);
    copyFileSync(file('authority.crt'), file('renewed.crt'));
    expect(await sink.deliver(batch, AbortSignal.timeout(10_000))).toMatchObject({ unavailable: null });
  });

  test('a wrong password is told, and never repeated', async () => {
    process.env['TEST_PASSWORD'] = 'hunter2';
    const empty = join(folder(), 'passwords');
    writeFileSync(empty, '', { mode: 0o600 });
    const url = `mqtt://127.0.0.1:${await broker(() => ['allow_anonymous false', `password_file ${empty}`])}`;
    const sink = started(url, { user: 'u', password: { from: 'variable', variable: 'TEST_PASSWORD' } });
    const { settled, unavailable } = await sink.deliver(batch, AbortSignal.timeout(10_000));
    delete process.env['TEST_PASSWORD'];
    expect(settled).toBe(0);
    expect(unavailable?.why).toMatch(/not authori[sz]ed|user name or password/i);
    expect(`${unavailable?.why} ${sink.address}`).not.toContain('hunter2');
  });

  test('a wire that is cut again and again loses nothing: order is kept and repeats are re-sends', async () => {
    const port = await broker();
    const heard = await listener(`mqtt://127.0.0.1:${port}`, 'tripwave/+/summary');
    const wire = new CutWire(port);
    await wire.join();
    ends.push(() => wire.cut());
    const outbox = oneSinkOutbox(folder());
    const total = 3000;
    const put = (from: number, to: number) =>
      outbox.put(
        Array.from({ length: to - from }, (_, k) => ({
          at_ms: start_ms + (from + k) * 1000,
          payload: summaryPayload(from + k, 2),
        })),
        false,
      );
    await wire.cut();
    put(0, total / 2);
    const { task, stop } = startMqttTask(outbox, new MqttSink(config(wire.url)), () => outbox.head);
    ends.push(stop);
    await expect.poll(() => task.view().state, { timeout: 10_000 }).toBe('down');
    await wire.join();
    for (const at of [200, 700, 1200]) {
      await expect.poll(() => heard.length, { timeout: 30_000, interval: 1 }).toBeGreaterThan(at);
      await wire.cut();
      await wire.join();
    }
    put(total / 2, total);
    task.notify();
    const bodies = () => heard.map(({ body }) => JSON.parse(body.toString()));
    await expect
      .poll(() => new Set(heard.map(({ body }) => body.toString())).size, { timeout: 40_000, interval: 200 })
      .toBe(total);
    await expect.poll(() => outbox.queue('a').waiting).toBe(0);
    const all: { seq: number; historical: boolean; ts: string }[] = bodies();
    const firsts = [...new Map(all.map((body) => [body.seq, body])).keys()];
    expect(firsts).toEqual([...firsts].sort((a, b) => a - b));
    expect(firsts).toHaveLength(total);
    expect(all.every(({ historical }) => historical)).toBe(true);
    // At most a window for each cut was on the wire without its acknowledgement.
    expect(all.length - total).toBeLessThanOrEqual(20 * wire.cuts);
    expect(outbox.queue('a').counters).toMatchObject({ messagesDelivered: total, messagesRejected: 0 });
  });

  test('a message that is too large for the broker goes to the dead letters, the others arrive', async () => {
    const url = `mqtt://127.0.0.1:${await broker(() => ['allow_anonymous true', 'max_packet_size 3000'])}`;
    const sink = started(url, { version: '5' });
    const messages = messagesOf([summaryPayload(0, 2), summaryPayload(1, 40), summaryPayload(2, 2)]);
    const delivery = await sink.deliver({ isHistorical: false, messages }, AbortSignal.timeout(10_000));
    expect(delivery).toMatchObject({ settled: 3, unavailable: null });
    expect(delivery.rejected.map(({ seq }) => seq)).toEqual([2]);
    expect(delivery.rejected[0]!.why).toContain('3000 bytes');
  });

  test('5: one that it refuses with a code that the protocol does not know is given up after some attempts', async () => {
    // Mosquitto 2 answers what is above its message_size_limit with a PUBACK of 149, which is none of 3.4.2.1.
    const url = `mqtt://127.0.0.1:${await broker(() => ['allow_anonymous true', 'message_size_limit 6000'])}`;
    const sink = started(url, { version: '5' });
    let left = messagesOf([2, 2, 60, 2].map((channels, k) => summaryPayload(k, channels)));
    const rejected: number[] = [];
    const whys = new Set<string | undefined>();
    await expect
      .poll(
        async () => {
          const delivery = await sink.deliver(
            { isHistorical: false, messages: left },
            AbortSignal.timeout(9000),
          );
          left = left.slice(delivery.settled);
          rejected.push(...delivery.rejected.map(({ seq }) => seq));
          whys.add(delivery.unavailable?.why);
          return left.length;
        },
        { timeout: 30_000, interval: 200 },
      )
      .toBe(0);
    expect(rejected).toEqual([3]);
    expect([...whys].join(' ')).toContain('The connection was lost: Invalid puback reason code.');
    expect(whys).not.toContain('Connection closed');
  });
});
