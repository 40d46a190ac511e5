/** Brokers that take a connection and are of no use all the same, as 3.1.1 (OASIS) lets them: no PUBACK tells why. */
import { afterEach, expect, test } from 'vitest';
import type { MqttSinkConfig } from '../../config/publish.ts';
import type { Message } from '../../daemon/publish/messages.ts';
import { BrokerLink } from '../../daemon/publish/mqtt/link.ts';
import { MqttSink } from '../../daemon/publish/mqtt/sink.ts';
import type { Rejection } from '../../daemon/publish/sink.ts';
import { SparkplugSink } from '../../daemon/publish/sparkplug/sink.ts';
import { type PacketIn, PickyBroker } from '../support/picky-broker.ts';
import { messagesOf, summaryPayload } from '../support/publish-messages.ts';
import { mqttConfig, sparkplugConfig } from '../support/sink-configs.ts';
import { sinkStart } from '../support/sink-start.ts';

const ends: (() => unknown)[] = [];
afterEach(async () => {
  for (const end of ends.splice(0).reverse()) await end();
});

async function broker(...options: ConstructorParameters<typeof PickyBroker>): Promise<PickyBroker> {
  const picky = new PickyBroker(...options);
  await picky.open();
  ends.push(() => picky.shut());
  return picky;
}

test('a connection that is soon lost again and again is asked for at growing rests, whoever asks', async () => {
  const at_ms: number[] = [];
  const picky = await broker((packet) => {
    if (packet.cmd === 'connect') at_ms.push(performance.now());
    return packet.cmd === 'publish' && packet.topic !== 'hello' ? 'hang up' : 'answer';
  });
  const link = new BrokerLink({
    config: mqttConfig(picky.url, { version: '3.1.1', timeout_s: 2 }),
    node: 'n',
    will: () => ({ topic: 'gone', payload: Buffer.alloc(0), retain: false }),
    born: async (client) => void (await client.publishAsync('hello', 'x', { qos: 1 })),
    farewell: async () => undefined,
    wake: () => undefined,
    random: () => 0,
  });
  ends.push(() => link.stop());
  link.keep();
  // As a sink does whose every message ends the connection, and that is woken by each new one.
  const asking = setInterval(() => {
    link.open().then(
      (client) => client.publish('data', 'x', { qos: 1 }),
      () => undefined,
    );
  }, 20);
  ends.push(() => clearInterval(asking));
  await expect.poll(() => at_ms.length, { timeout: 20_000 }).toBeGreaterThanOrEqual(4);
  const rests_ms = at_ms.slice(1).map((at, k) => at - at_ms[k]!);
  // The first two are for a broker that starts anew; then a rest of 4 s is kept.
  expect(rests_ms[2]! / rests_ms[0]!).toBeGreaterThan(4);
  expect(link.lostWhy).toBe('The connection was lost.');
});

/** Delivers as the task does, until all is settled or the sink has failed so often. */
async function deliverAll(sink: MqttSink, all: readonly Message[], most = 100) {
  const rejected: Rejection[] = [];
  let left = all;
  for (let failures = 0; left.length > 0 && failures < most; ) {
    const delivery = await sink.deliver({ isHistorical: false, messages: left }, AbortSignal.timeout(9000));
    rejected.push(...delivery.rejected);
    left = left.slice(delivery.settled);
    if (delivery.unavailable !== null) failures++;
    // A rest of the link: the task waits longer.
    if (delivery.unavailable !== null) await new Promise((resolve) => setTimeout(resolve, 200));
  }
  return { rejected, left };
}

function started(url: string, change: Partial<MqttSinkConfig> = {}): MqttSink {
  const sink = new MqttSink(mqttConfig(url, { timeout_s: 2, ...change }));
  sink.start(sinkStart({ node: 'n' }));
  ends.push(() => sink.stop());
  return sink;
}

const isLarge = ({ payload }: PacketIn) => (payload?.length ?? 0) > 5000;
const mixed = () => messagesOf([1, 2, 60, 2, 1].map((channels, k) => summaryPayload(k, channels)));

test('3.1.1: a message at which the broker hangs up is given up after some attempts, and no other is', async () => {
  const picky = await broker((packet) =>
    packet.cmd === 'publish' && isLarge(packet) ? 'hang up' : 'answer',
  );
  const { left, rejected } = await deliverAll(started(picky.url, { version: '3.1.1' }), mixed());
  expect(left).toEqual([]);
  expect(rejected.map(({ seq }) => seq)).toEqual([3]);
  expect(rejected[0]!.why).toMatch(/disconnects whenever this message is sent. It has \d+ bytes/);
  const bodies = picky.taken.filter(({ topic }) => topic?.endsWith('/summary') === true);
  expect(new Set(bodies.map(({ payload }) => JSON.parse(payload!.toString()).seq))).toEqual(
    new Set([1, 2, 4, 5]),
  );
});

test('3.1.1: a broker that hangs up at everything costs no message', async () => {
  const picky = await broker(({ cmd, topic }) =>
    cmd === 'publish' && topic?.endsWith('/status') !== true ? 'hang up' : 'answer',
  );
  const small = messagesOf([summaryPayload(0, 1), summaryPayload(1, 60)]);
  const { left, rejected } = await deliverAll(started(picky.url, { version: '3.1.1' }), small, 8);
  expect([left.length, rejected]).toEqual([2, []]);
});

test('a message that just fits into what the broker takes is sent', async () => {
  let limit_bytes = 1e6;
  const picky = await broker(
    () => 'answer',
    () => ({ maximumPacketSize: limit_bytes }),
  );
  const messages = messagesOf([summaryPayload(0, 3)]);
  // What stands on the wire, by the library's own reckoning (MQTT 5.0, 3.3.1: PUBLISH).
  await deliverAll(started(picky.url, { version: '5' }), messages);
  limit_bytes = picky.lengthOf(picky.taken.find(({ topic }) => topic?.endsWith('/summary') === true)!);
  expect((await deliverAll(started(picky.url, { name: 'b', version: '5' }), messages)).rejected).toEqual([]);
  limit_bytes--;
  expect((await deliverAll(started(picky.url, { name: 'c', version: '5' }), messages)).rejected).toHaveLength(
    1,
  );
});

test.each(['hang up', 'reset'] as const)(
  'a broker that knows no 5 and only answers with a %s gets 3.1.1',
  async (end) => {
    const versions: (number | undefined)[] = [];
    const picky = await broker((packet) => {
      if (packet.cmd !== 'connect') return 'answer';
      versions.push(packet.protocolVersion);
      return packet.protocolVersion === 4 ? 'answer' : end;
    });
    const messages = messagesOf([summaryPayload(0, 1)]);
    const delivery = await started(picky.url).deliver(
      { isHistorical: false, messages },
      AbortSignal.timeout(5000),
    );
    expect(delivery).toEqual({ settled: 1, rejected: [], unavailable: null });
    expect(versions).toEqual([5, 4]);
  },
);

test.each(['mqtt', 'sparkplug'] as const)(
  '%s: a broker that falls silent has failed after `timeout`; what it had is settled',
  async (kind) => {
    let heard = 0;
    const picky = await broker(({ cmd, topic }) => {
      if (cmd === 'publish' && topic?.endsWith('/status') !== true) heard++;
      return heard > 120 ? 'nothing' : 'answer';
    });
    const change = { timeout_s: 1, version: '3.1.1' } as const;
    const sink =
      kind === 'mqtt'
        ? new MqttSink(mqttConfig(picky.url, change))
        : new SparkplugSink(sparkplugConfig(picky.url, change));
    sink.start(sinkStart());
    ends.push(() => sink.stop());
    const signal = AbortSignal.timeout(20_000);
    const messages = messagesOf(Array.from({ length: 500 }, (_, k) => summaryPayload(k, 1)));
    const { settled, unavailable } = await sink.deliver({ isHistorical: false, messages }, signal);
    expect(unavailable?.why).toBe('The broker does not answer.');
    expect(signal.aborted).toBe(false);
    expect(settled).toBeGreaterThan(0);
    expect(settled).toBeLessThanOrEqual(120);
  },
);

test('a broker that hangs up with its first answer leaves no dead connection behind', async () => {
  let connects = 0;
  const picky = await broker(({ cmd }) => {
    if (cmd === 'connect') connects++;
    return cmd === 'publish' && connects <= 3 ? 'answer, then hang up' : 'answer';
  });
  const messages = messagesOf([summaryPayload(0, 1), summaryPayload(1, 1)]);
  const { left, rejected } = await deliverAll(started(picky.url, { version: '3.1.1' }), messages);
  expect([left, rejected]).toEqual([[], []]);
});

test('a primary host that is online and gone again at once hears nothing', async () => {
  const hears = new Set<string>();
  const picky = await broker(({ cmd, subscriptions, topic = '' }) => {
    if (cmd === 'publish') hears.add(topic);
    const state = subscriptions?.find((each) => each.topic.includes('/STATE/'))?.topic;
    if (state !== undefined) {
      const says = (online: boolean) => JSON.stringify({ online, timestamp: online ? 1 : 2 });
      setImmediate(() => picky.push(state, says(true), says(false)));
    }
    return 'answer';
  });
  const sink = new SparkplugSink(
    sparkplugConfig(picky.url, { timeout_s: 1, version: '3.1.1', primaryHost: 'h' }),
  );
  sink.start(sinkStart());
  ends.push(() => sink.stop());
  const messages = messagesOf([summaryPayload(0, 1)]);
  const { settled, unavailable } = await sink.deliver(
    { isHistorical: false, messages },
    AbortSignal.timeout(9000),
  );
  expect([settled, unavailable?.why]).toEqual([0, 'The primary host h is not online at this broker.']);
  expect([...hears]).toEqual([]);
});

test('5: a broker is asked to send nothing that is much larger than a command', async () => {
  let most_bytes: number | undefined;
  const picky = await broker((packet) => {
    if (packet.cmd === 'connect') most_bytes = packet.properties?.maximumPacketSize;
    return 'answer';
  });
  await deliverAll(started(picky.url, { version: '5' }), messagesOf([summaryPayload(0, 1)]));
  expect(most_bytes).toBe(65_536);
});
