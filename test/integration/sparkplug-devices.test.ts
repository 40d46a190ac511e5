/** Lines of the rig as Sparkplug devices, at two independent brokers, seen by a host that holds the node to the rules. */
import { afterEach, describe, expect, test } from 'vitest';
import type { SparkplugSinkConfig } from '../../config/publish.ts';
import type { Payload } from '../../daemon/publish/messages.ts';
import { SparkplugSink } from '../../daemon/publish/sparkplug/sink.ts';
import { type LinkState, monotonic_s } from '../../drivers/driver.ts';
import { CutWire, hasMosquitto, listen, OldBroker, startMosquitto } from '../support/brokers.ts';
import { freePort } from '../support/databases.ts';
import { PickyBroker } from '../support/picky-broker.ts';
import { everyPayload, linkPayload, messagesOf, summaryPayload } from '../support/publish-messages.ts';
import { publishedStation } from '../support/published-station.ts';
import { pushedLine } from '../support/pushed-line.ts';
import { sparkplugConfig } from '../support/sink-configs.ts';
import { sinkStart } from '../support/sink-start.ts';
import { encodeCommand } from '../support/sparkplug-decoder.ts';
import { SparkplugHost } from '../support/sparkplug-host.ts';

if (!hasMosquitto) console.warn('SKIPPED: tests against a real broker need the Debian package mosquitto');

const ends: (() => unknown)[] = [];
afterEach(async () => {
  for (const end of ends.splice(0).reverse()) await end();
});

/** PT-101 is read from line `bus`, the others from `stream`. */
const lineOf = (channel: string) => (channel === 'PT-101' ? 'bus' : 'stream');

const brokers = {
  mosquitto: async () => {
    const { port, stop } = await startMosquitto(await freePort());
    ends.push(stop);
    return port;
  },
  aedes: async () => {
    const old = new OldBroker();
    await old.open();
    ends.push(() => old.shut());
    return Number(new URL(old.url).port);
  },
};

function started(url: string, change: Partial<SparkplugSinkConfig> = {}): SparkplugSink {
  const sink = new SparkplugSink(sparkplugConfig(url, { timeout_s: 3, version: '3.1.1', ...change }));
  sink.start(sinkStart({ lineOf }));
  ends.push(() => sink.stop());
  return sink;
}

async function hostAt(url: string) {
  const host = new SparkplugHost();
  const { client } = await listen(url, 'spBv1.0/plant/#');
  ends.push(() => client.endAsync(true));
  client.on('message', (topic, body, packet) => host.hear({ topic, body, packet }));
  return { client, host };
}

const deliver = (sink: SparkplugSink, payloads: readonly Payload[], isHistorical = false) =>
  sink.deliver({ isHistorical, messages: messagesOf(payloads) }, AbortSignal.timeout(10_000));

describe.each(Object.keys(brokers) as (keyof typeof brokers)[])('devices at %s', (name) => {
  describe.skipIf(name === 'mosquitto' && !hasMosquitto)('', () => {
    test('births, data, deaths and a rebirth, all by the rules', async () => {
      const url = `mqtt://127.0.0.1:${await brokers[name]()}`;
      const { client, host } = await hostAt(url);
      const sink = started(url);
      await deliver(sink, [linkPayload('bus', 'open'), linkPayload('stream', 'open'), ...everyPayload()]);
      // Everything tells of a silent bus.
      await expect.poll(() => host.online()).toEqual(['', 'stream']);
      await deliver(sink, [linkPayload('bus', 'open'), summaryPayload(3, 3)]);
      await expect.poll(() => host.online()).toEqual(['', 'bus', 'stream']);
      const { mean } = summaryPayload(3, 1).channels[0]!;
      expect(host.places.get('bus')!.values.get('Channels/PT-101/Mean (Pa)')).toBe(mean);
      expect([...host.places.get('bus')!.values.keys()].join()).not.toContain('PT-102');
      expect([...host.places.get('')!.values.keys()].join()).not.toContain('Channels');

      await deliver(sink, [linkPayload('bus', 'silent')]);
      await expect.poll(() => host.online()).toEqual(['', 'stream']);
      expect(host.places.get('')!.values.get('Lines/bus/State')).toBe('silent');
      expect(host.places.get('')!.values.get('Lines/bus/Why')).toBe('No answer.');
      const before = host.story.length;
      client.publish('spBv1.0/plant/NCMD/marrowfen-1', encodeCommand('Node Control/Rebirth', true));
      await expect.poll(() => host.story.slice(before)).toEqual(['NBIRTH', 'DBIRTH stream']);

      // What has waited of a dead device: told whole, and the device stays dead.
      await deliver(sink, [summaryPayload(1, 1), summaryPayload(2, 1)], true);
      await expect
        .poll(() => host.story.slice(before + 2))
        .toEqual(['DBIRTH bus', 'DDATA bus', 'DDATA bus', 'DDEATH bus']);
      expect(host.places.get('bus')!.past).toHaveLength(10);
      expect(host.places.get('bus')!.values.get('Channels/PT-101/Mean (Pa)')).toBe(mean);

      // A command to a device is nobody's: the node writes to none and listens to none.
      client.publish('spBv1.0/plant/DCMD/marrowfen-1/bus', encodeCommand('Node Control/Rebirth', true));
      await deliver(sink, [linkPayload('bus', 'open')]);
      await expect.poll(() => host.online()).toEqual(['', 'bus', 'stream']);
      await sink.stop();
      await expect.poll(() => host.online()).toEqual([]);
      expect(host.faults).toEqual([]);
      expect(host.story.filter((type) => type === 'NBIRTH').length).toBeLessThanOrEqual(3);
    });

    test('seq goes round over hundreds of messages of node and devices', async () => {
      const url = `mqtt://127.0.0.1:${await brokers[name]()}`;
      const { host } = await hostAt(url);
      const sink = started(url);
      for (let k = 0; k < 300; k += 30) {
        const seconds = Array.from({ length: 30 }, (_, j) => summaryPayload(k + j, 2));
        await deliver(sink, [linkPayload('bus', k % 60 === 0 ? 'silent' : 'open'), ...seconds]);
      }
      await expect.poll(() => host.story.filter((type) => type === 'DDATA stream').length).toBe(300);
      expect(host.story.length).toBeGreaterThan(512);
      expect(host.faults).toEqual([]);
    });
  });
});

test('a node whose primary host goes says no more on that connection, also while its death is not acknowledged', async () => {
  const said: string[] = [];
  const picky = new PickyBroker(({ cmd, topic }) => {
    if (cmd === 'publish') said.push(topic!.split('/')[2]!);
    return said.at(-1) === 'NDEATH' && cmd === 'publish' ? 'nothing' : 'answer';
  });
  await picky.open();
  ends.push(() => picky.shut());
  const state = (online: boolean, timestamp: number) =>
    picky.push('spBv1.0/STATE/control', JSON.stringify({ online, timestamp }));
  const sink = started(picky.url, { primaryHost: 'control', timeout_s: 2 });
  const first = deliver(sink, [summaryPayload(0, 1)]);
  await expect.poll(() => picky.taken.filter(({ cmd }) => cmd === 'subscribe').length).toBe(2);
  state(true, 10);
  expect((await first).settled).toBe(1);
  state(false, 20);
  state(false, 20);
  await expect.poll(() => said).toEqual(['NBIRTH', 'DBIRTH', 'DDATA', 'NDEATH']);
  const { settled, unavailable } = await deliver(sink, [summaryPayload(1, 1)]);
  expect([settled, unavailable?.why]).toEqual([0, 'The primary host control went offline.']);
  expect(said).toEqual(['NBIRTH', 'DBIRTH', 'DDATA', 'NDEATH']);
  // And it does not wait for the acknowledgement for ever.
  await expect
    .poll(() => picky.taken.filter(({ cmd }) => cmd === 'connect').length, { timeout: 10_000 })
    .toBe(2);
});

test('what was under way when the wire was cut is told again in order, and no birth runs ahead of it', async () => {
  const wire = new CutWire(await brokers.aedes());
  const { host } = await hostAt(`mqtt://127.0.0.1:${wire.to}`);
  await wire.join();
  ends.push(() => wire.cut());
  const sink = started(wire.url);
  host.mindsTime = true;
  await deliver(sink, [summaryPayload(0, 1)]);
  await expect.poll(() => host.story).toEqual(['NBIRTH', 'DBIRTH bus', 'DDATA bus']);
  await wire.cut();
  // The link still stands for the sink, which learns of the cut by this delivery.
  const seconds = [1, 2, 3].map((k) => summaryPayload(k, 1));
  const failed = await deliver(sink, seconds);
  expect(failed.settled).toBe(0);
  await wire.join();
  const before = host.story.length;
  await expect.poll(async () => (await deliver(sink, seconds)).settled, { timeout: 10_000 }).toBe(3);
  await expect
    .poll(() => host.story.slice(before).filter((type) => type !== 'NDEATH'))
    .toEqual(['NBIRTH', 'DBIRTH bus', 'DDATA bus', 'DDATA bus', 'DDATA bus']);
  expect(host.faults).toEqual([]);
});

test('bdSeq counts CONNECTs, not attempts that never came to one (tck-id-...-will-message-payload-bdSeq)', async () => {
  const wire = new CutWire(await brokers.aedes());
  const { host } = await hostAt(`mqtt://127.0.0.1:${wire.to}`);
  // Takes a port and lets nobody in.
  await wire.join();
  const { url } = wire;
  await wire.cut();
  ends.push(() => wire.cut());
  const sink = started(url);
  for (let k = 0; k < 3; k++) expect((await deliver(sink, [summaryPayload(0, 1)])).settled).toBe(0);
  await wire.join();
  expect((await deliver(sink, [summaryPayload(0, 1)])).settled).toBe(1);
  await expect.poll(() => host.places.get('')?.values.get('bdSeq')).toBe(0);
});

test('a real station: a line that is lost is a dead device with its reason at the node, and comes back', async () => {
  const url = `mqtt://127.0.0.1:${await brokers.aedes()}`;
  const { host } = await hostAt(url);
  const { driver, feed, recorder, remove } = await publishedStation('marrowfen-1', [sparkplugConfig(url)]);
  ends.push(remove);
  const state = (name: LinkState['state'], why: string) =>
    driver.sink?.state({ state: name, since_s: monotonic_s(), why });
  await expect.poll(() => host.online(), { timeout: 90_000 }).toContain('');
  state('open', '');
  const poll = { timeout: 20_000, interval: 200 };
  const line = pushedLine.id;
  await expect.poll(() => [feed.push(0.2), host.online()][1], poll).toEqual(['', line]);
  expect([...host.places.get('')!.values.keys()].join()).not.toContain('Channels');
  state('reconnecting', 'The cable is out.');
  await expect.poll(() => host.online(), poll).toEqual(['']);
  expect(host.places.get('')!.values.get(`Lines/${line}/Why`)).toBe('The cable is out.');
  state('open', '');
  await expect.poll(() => [feed.push(0.2), host.online()][1], poll).toEqual(['', line]);
  await recorder.stop();
  await expect.poll(() => host.online(), poll).toEqual([]);
  expect(host.faults).toEqual([]);
}, 180_000);
