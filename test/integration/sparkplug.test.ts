/**
 * The rules of a Sparkplug session, each with its id in the specification (Eclipse Sparkplug 3.0, ISO/IEC 20237), seen by an
 * independent receiver and read by an independent library.
 */
import { afterEach, describe, expect, test } from 'vitest';
import type { SparkplugSinkConfig } from '../../config/publish.ts';
import type { Payload } from '../../daemon/publish/messages.ts';
import { SparkplugSink } from '../../daemon/publish/sparkplug/sink.ts';
import { CutWire, type Heard, hasMosquitto, listen, OldBroker, startMosquitto } from '../support/brokers.ts';
import { freePort } from '../support/databases.ts';
import { describeSink } from '../support/describe-sink.ts';
import { everyPayload, messagesOf, start_ms, summaryPayload } from '../support/publish-messages.ts';
import { sparkplugConfig } from '../support/sink-configs.ts';
import { sinkStart } from '../support/sink-start.ts';
import { decode, encodeCommand } from '../support/sparkplug-decoder.ts';

if (!hasMosquitto) console.warn('SKIPPED: tests against a real broker need the Debian package mosquitto');

const ends: (() => unknown)[] = [];
afterEach(async () => {
  for (const end of ends.splice(0).reverse()) await end();
});

function made(url: string, change: Partial<SparkplugSinkConfig> = {}): SparkplugSink {
  return new SparkplugSink(sparkplugConfig(url, { timeout_s: 3, ...change }));
}

function started(url: string, change: Partial<SparkplugSinkConfig> = {}): SparkplugSink {
  const sink = made(url, change);
  sink.start(sinkStart());
  ends.push(() => sink.stop());
  return sink;
}

async function broker(): Promise<{ readonly url: string; readonly port: number }> {
  const { port, stop } = await startMosquitto(await freePort());
  ends.push(stop);
  return { url: `mqtt://127.0.0.1:${port}`, port };
}

/** Hears everything but its own commands. */
async function host(url: string) {
  const { client } = await listen(url, 'spBv1.0/plant/#');
  ends.push(() => client.endAsync(true));
  const heard: Heard[] = [];
  client.on('message', (topic, body, packet) => {
    if (!topic.includes('/NCMD/')) heard.push({ topic, body, packet });
  });
  return { client, heard };
}

function deliver(sink: SparkplugSink, payloads: readonly Payload[], isHistorical = false) {
  return sink.deliver({ isHistorical, messages: messagesOf(payloads) }, AbortSignal.timeout(10_000));
}

const typeOf = ({ topic }: Heard) => topic.split('/')[2];
const types = (heard: readonly Heard[]) => heard.map(typeOf);
const bdSeqOf = ({ body }: Heard) => decode(body).metrics.find(({ name }) => name === 'bdSeq')?.value;

describeSink('sparkplug', async () => {
  const old = new OldBroker();
  await old.open();
  return {
    sink: made(old.url, { version: '3.1.1' }),
    open: () => old.open(),
    shut: () => old.shut(),
    hang: async () => old.hang(),
    end: () => old.shut(),
  };
});

describe.skipIf(!hasMosquitto)('an edge node at a real broker', () => {
  test('births come before data, sequence numbers go round, aliases are unique and stand for names', async () => {
    const { url } = await broker();
    const { heard } = await host(url);
    const sink = started(url);
    const seconds = Array.from({ length: 300 }, (_, k) => summaryPayload(k, 3));
    const payloads = [...everyPayload(), ...seconds];
    expect(await deliver(sink, payloads)).toMatchObject({ settled: payloads.length, unavailable: null });
    const { mean } = summaryPayload(299, 3).channels[0]!;
    const hasLast = () => heard.some(({ body }) => decode(body).metrics.some(({ value }) => value === mean));
    await expect.poll(hasLast).toBe(true);
    // tck-id-topics-nbirth-topic, tck-id-topics-ndata-topic.
    expect(new Set(heard.map(({ topic }) => topic))).toEqual(
      new Set(['spBv1.0/plant/NBIRTH/marrowfen-1', 'spBv1.0/plant/NDATA/marrowfen-1']),
    );
    // tck-id-topics-nbirth-mqtt, tck-id-topics-ndata-mqtt: QoS 0 and not retained.
    expect(heard.every(({ packet }) => packet.qos === 0 && !packet.retain)).toBe(true);
    let names = new Map<number, string>();
    let before = 255;
    for (const each of heard) {
      const { metrics, seq, timestamp_ms } = decode(each.body);
      expect(timestamp_ms).toBeGreaterThan(0);
      // tck-id-topics-nbirth-seq-num; tck-id-topics-ndata-seq-num, tck-id-payloads-sequence-num-incrementing.
      expect(seq).toBe(typeOf(each) === 'NBIRTH' ? 0 : (before + 1) % 256);
      before = seq!;
      // tck-id-operational-behavior-data-publish-nbirth-order.
      const times = metrics.map(({ timestamp_ms: at_ms }) => at_ms);
      expect(times).toEqual([...times].sort((a, b) => a - b));
      if (typeOf(each) === 'NBIRTH') {
        // tck-id-topics-nbirth-metrics: name, type and value of each.
        expect(metrics.every(({ datatype, name }) => name !== null && datatype !== null)).toBe(true);
        // tck-id-topics-nbirth-bdseq-included; tck-id-operational-behavior-data-commands-rebirth-name, -datatype, -value,
        // and no alias (tck-id-operational-behavior-data-commands-rebirth-name-aliases).
        expect(bdSeqOf(each)).toBe(0);
        expect(metrics.find(({ name }) => name === 'Node Control/Rebirth')).toMatchObject({
          datatype: 11,
          value: false,
          alias: null,
        });
        const aliased = metrics.filter(({ alias }) => alias !== null);
        names = new Map(aliased.map(({ alias, name }) => [alias!, name!]));
        // tck-id-payloads-alias-uniqueness.
        expect(names.size).toBe(aliased.length);
      } else {
        for (const { alias, datatype, name } of metrics) {
          // tck-id-payloads-alias-data-cmd-requirement: the alias and no name; of a birth (tck-id-topics-nbirth-metric-reqs).
          expect([name, datatype]).toEqual([null, null]);
          expect(names.has(alias!)).toBe(true);
        }
      }
    }
    expect(heard.length).toBeGreaterThan(256);
    // The last second is what it was.
    const last = decode(heard.at(-1)!.body).metrics.map(({ alias, value }) => [names.get(alias!), value]);
    expect(last).toContainEqual(['Channels/PT-101/Mean (Pa)', mean]);
  });

  test('what has not changed is not said again (tck-id-operational-behavior-data-publish-nbirth-change)', async () => {
    const { url } = await broker();
    const { heard } = await host(url);
    const sink = started(url);
    const phase = { kind: 'phase', phase: 'running' } as const;
    await deliver(sink, [phase, phase, { ...phase, phase: 'tripped' }]);
    await expect.poll(() => types(heard)).toEqual(['NBIRTH', 'NBIRTH', 'NDATA', 'NDATA']);
  });

  test('what has waited comes whole, in payloads of its own, and is not what the node says now', async () => {
    const { url } = await broker();
    const { client, heard } = await host(url);
    const sink = started(url);
    await deliver(sink, [summaryPayload(5, 1)]);
    await deliver(sink, [summaryPayload(1, 1), summaryPayload(2, 1)], true);
    client.publish('spBv1.0/plant/NCMD/marrowfen-1', encodeCommand('Node Control/Rebirth', true));
    await expect.poll(() => types(heard)).toEqual(['NBIRTH', 'NBIRTH', 'NDATA', 'NDATA', 'NDATA', 'NBIRTH']);
    const historical = heard.map(({ body }) => decode(body).metrics.map(({ isHistorical }) => isHistorical));
    expect(historical.map((flags) => [...new Set(flags)])).toEqual([
      [false],
      [false],
      [false],
      [true],
      [true],
      [false],
    ]);
    const mean = decode(heard.at(-1)!.body).metrics.find(({ name }) => name?.endsWith('Mean (Pa)') === true);
    expect(mean).toMatchObject({ value: summaryPayload(5, 1).channels[0]!.mean, timestamp_ms: start_ms });
  });

  test('a rebirth keeps bdSeq and begins seq anew; other commands do nothing', async () => {
    const { url } = await broker();
    const { client, heard } = await host(url);
    const sink = started(url);
    await deliver(sink, [summaryPayload(0, 1)]);
    const command = (name: string, value: boolean) =>
      client.publishAsync('spBv1.0/plant/NCMD/marrowfen-1', encodeCommand(name, value));
    await command('Node Control/Reboot', true);
    await command('Node Control/Rebirth', false);
    await client.publishAsync('spBv1.0/plant/NCMD/marrowfen-1', Buffer.from([0xff, 0xff, 0xff]));
    await command('Node Control/Rebirth', true);
    const all = ['NBIRTH', 'NBIRTH', 'NDATA'];
    await expect.poll(() => types(heard)).toEqual([...all, 'NBIRTH']);
    // tck-id-operational-behavior-data-commands-rebirth-action-2, -3.
    expect(bdSeqOf(heard.at(-1)!)).toBe(bdSeqOf(heard[0]!));
    expect(decode(heard.at(-1)!.body).seq).toBe(0);
    await deliver(sink, [summaryPayload(1, 1)]);
    await expect.poll(() => types(heard)).toEqual([...all, 'NBIRTH', 'NDATA']);
    expect(decode(heard.at(-1)!.body).seq).toBe(1);
  });

  test('rebirths asked for again and again are said together, and the last is not forgotten', async () => {
    const { url } = await broker();
    const { client, heard } = await host(url);
    const sink = started(url);
    await deliver(sink, [summaryPayload(0, 1)]);
    const births = () => types(heard).filter((type) => type === 'NBIRTH').length;
    await expect.poll(births).toBe(2);
    const request = encodeCommand('Node Control/Rebirth', true);
    for (let k = 0; k < 50; k++)
      await client.publishAsync('spBv1.0/plant/NCMD/marrowfen-1', request, { qos: 1 });
    await deliver(sink, [summaryPayload(1, 1)]);
    await expect.poll(() => types(heard).at(-1)).toBe('NDATA');
    const atOnce = births();
    expect(atOnce).toBeGreaterThan(2);
    expect(atOnce).toBeLessThan(20);
    let second = 2;
    await expect
      .poll(
        async () => {
          await deliver(sink, [summaryPayload(second++, 1)]);
          return births();
        },
        { timeout: 30_000, interval: 500 },
      )
      .toBe(atOnce + 1);
  });

  test('each CONNECT has the next bdSeq, in its will and its birth; a cut wire is a death by the broker', async () => {
    const { port, url } = await broker();
    const { heard } = await host(url);
    const wire = new CutWire(port);
    await wire.join();
    ends.push(() => wire.cut());
    const sink = started(wire.url);
    for (const bdSeq of [0, 1, 2]) {
      expect(await deliver(sink, [summaryPayload(bdSeq, 1)])).toMatchObject({ settled: 1 });
      // tck-id-topics-nbirth-bdseq-increment, tck-id-topics-nbirth-bdseq-matching.
      await expect.poll(() => bdSeqOf(heard.filter((each) => typeOf(each) === 'NBIRTH').at(-1)!)).toBe(bdSeq);
      await wire.cut();
      await expect
        .poll(() => heard.filter((each) => typeOf(each) === 'NDEATH').map(bdSeqOf))
        .toContain(bdSeq);
      await wire.join();
    }
    const death = heard.find((each) => typeOf(each) === 'NDEATH')!;
    // tck-id-topics-ndeath-seq, tck-id-topics-ndeath-payload, tck-id-payloads-ndeath-will-message-retain, -qos.
    expect(decode(death.body)).toMatchObject({ seq: null, metrics: [{ name: 'bdSeq', datatype: 4 }] });
    expect([death.packet.retain, death.packet.qos]).toEqual([false, 1]);
  });

  test('an intended end says NDEATH itself (tck-id-operational-behavior-edge-node-intentional-disconnect-ndeath), once', async () => {
    const { url } = await broker();
    const { heard } = await host(url);
    const sink = started(url);
    await deliver(sink, [summaryPayload(0, 1)]);
    await sink.stop();
    await expect.poll(() => types(heard)).toEqual(['NBIRTH', 'NBIRTH', 'NDATA', 'NDEATH']);
    expect(bdSeqOf(heard.at(-1)!)).toBe(0);
  });

  test('nothing is born before the primary host is online, and it dies when the host goes', async () => {
    const { url } = await broker();
    const { client, heard } = await host(url);
    const state = (online: boolean, timestamp: number) =>
      client.publishAsync('spBv1.0/STATE/control', JSON.stringify({ online, timestamp }), {
        qos: 1,
        retain: true,
      });
    await state(false, 1000);
    const sink = started(url, { primaryHost: 'control', timeout_s: 1 });
    // tck-id-message-flow-edge-node-birth-publish-subscribe.
    const { settled, unavailable } = await deliver(sink, [summaryPayload(0, 1)]);
    expect([settled, unavailable?.why]).toEqual([
      0,
      'The primary host control is not online at this broker.',
    ]);
    expect(types(heard).filter((type) => type !== 'NDEATH')).toEqual([]);
    await state(true, 2000);
    expect(await deliver(sink, [summaryPayload(0, 1)])).toMatchObject({ settled: 1, unavailable: null });
    await expect.poll(() => types(heard)).toContain('NDATA');
    const before = heard.length;
    // An older word is a will that came late (tck-id-operational-behavior-edge-node-termination-host-offline-timestamp).
    await state(false, 1500);
    expect(await deliver(sink, [summaryPayload(1, 1)])).toMatchObject({ settled: 1 });
    await expect.poll(() => types(heard.slice(before))).toEqual(['NDATA']);
    // tck-id-operational-behavior-edge-node-termination-host-offline.
    await state(false, 3000);
    await expect.poll(() => types(heard.slice(before))).toEqual(['NDATA', 'NDEATH']);
    expect((await deliver(sink, [summaryPayload(2, 1)])).settled).toBe(0);
  });
});
