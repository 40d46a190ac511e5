/**
 * JSON on the topics of a broker, QoS 1. A message is settled when its PUBACK came and those of all before it; so many are on
 * the way at a time that a common broker drops none (its default is 20).
 */
import type { MqttClient } from 'mqtt';
import type { MqttSinkConfig } from '../../../config/publish.ts';
import type { Batch, Delivery, Rejection, Sink, SinkStart } from '../sink.ts';
import { bodyOf, offlineBody, onlineBody, statusTopic, topicOf } from './bodies.ts';
import { codeOf, drop, untilAborted, wordsOf } from './broker.ts';
import { BrokerLink } from './link.ts';

const mostUnacknowledged = 20;
/** Topic, packet identifier and header of a PUBLISH beside its body, generously, in bytes. */
const header_bytes = 300;
/** PUBACK codes that blame the message (MQTT 5.0, 3.4.2.1): topic name invalid, payload format invalid. */
const messageToBlame = [144, 153];

export class MqttSink implements Sink {
  readonly address: string;
  readonly #config: MqttSinkConfig;
  #link: BrokerLink | null = null;
  #state: 'new' | 'started' | 'stopped' = 'new';

  constructor(config: MqttSinkConfig) {
    this.#config = config;
    this.address = `${config.url}, topics ${config.topic}/...`;
  }

  start({ boot, node, software, wake }: SinkStart): void {
    if (this.#state !== 'new') throw new Error(`started when ${this.#state}`);
    this.#state = 'started';
    const topic = statusTopic(this.#config.topic, node);
    const say = async (client: MqttClient, body: string) => {
      await client.publishAsync(topic, body, { qos: 1, retain: true });
    };
    this.#link = new BrokerLink({
      config: this.#config,
      node,
      will: () => ({ topic, payload: Buffer.from(offlineBody), retain: true }),
      born: (client) => say(client, onlineBody(node, boot, software, Date.now())),
      farewell: (client) => say(client, offlineBody),
      wake,
      random: Math.random,
    });
    this.#link.keep();
  }

  async stop(): Promise<void> {
    this.#state = 'stopped';
    const link = this.#link;
    this.#link = null;
    await link?.stop();
  }

  async deliver(batch: Batch, signal: AbortSignal): Promise<Delivery> {
    const link = this.#link;
    if (link === null) throw new Error(`asked to deliver when ${this.#state}`);
    return untilAborted(signal, async (aborted) => {
      let client: MqttClient;
      try {
        client = await Promise.race([link.open(), aborted]);
      } catch (error) {
        return { settled: 0, rejected: [], unavailable: { why: wordsOf(error), retryAfter_s: null } };
      }
      const delivery = new WindowedDelivery(client, this.#config.topic, batch);
      return delivery.run(aborted, () => link.lostWhy);
    });
  }
}

/** One batch on its way through a window. */
class WindowedDelivery {
  readonly #client: MqttClient;
  readonly #prefix: string;
  readonly #batch: Batch;
  readonly #rejected: Rejection[] = [];

  constructor(client: MqttClient, prefix: string, batch: Batch) {
    this.#client = client;
    this.#prefix = prefix;
    this.#batch = batch;
  }

  /** Ends early, with what was acknowledged by then, when `aborted` rejects, the connection is lost or the broker refuses. */
  async run(aborted: Promise<never>, lostWhy: () => string): Promise<Delivery> {
    const { messages } = this.#batch;
    const { receiveMaximum } = this.#client.serverProperties ?? {};
    const most = Math.min(mostUnacknowledged, receiveMaximum ?? mostUnacknowledged);
    const underWay: Promise<void>[] = [];
    let settled = 0;
    let why: string | null = null;
    const { promise: closed, reject } = Promise.withResolvers<never>();
    closed.catch(() => undefined);
    const onClose = () => reject(new Error(lostWhy()));
    this.#client.once('close', onClose);
    try {
      if (!this.#client.connected) throw new Error(lostWhy());
      for (let next = 0; settled < messages.length; ) {
        while (next < messages.length && underWay.length < most) underWay.push(this.#send(next++));
        await Promise.race([underWay[0]!, closed, aborted]);
        void underWay.shift();
        settled++;
      }
    } catch (error) {
      why = wordsOf(error);
      if (codeOf(error) === 135) why += '. Check what the user may publish.';
      // Nothing of this connection may come after what the next one sends.
      drop(this.#client);
    } finally {
      this.#client.off('close', onClose);
    }
    const done = new Set(messages.slice(0, settled).map(({ seq }) => seq));
    return {
      settled,
      rejected: this.#rejected.filter(({ seq }) => done.has(seq)),
      unavailable: why === null ? null : { why, retryAfter_s: null },
    };
  }

  /** Resolves when the broker has the message, or will never take it. */
  #send(index: number): Promise<void> {
    const message = this.#batch.messages[index]!;
    const topic = topicOf(this.#prefix, message);
    const body = bodyOf(message, this.#batch.isHistorical);
    const limit_bytes = this.#client.serverProperties?.maximumPacketSize ?? Number.POSITIVE_INFINITY;
    const size_bytes = Buffer.byteLength(body) + Buffer.byteLength(topic);
    const reject = (why: string) => void this.#rejected.push({ seq: message.seq, why, sent: body });
    if (size_bytes + header_bytes > limit_bytes) {
      reject(`The broker takes packets of ${limit_bytes} bytes at most; this one has ${size_bytes}.`);
      return Promise.resolve();
    }
    const sent = this.#client.publishAsync(topic, body, { qos: 1 }).then(
      () => undefined,
      (error: unknown) => {
        if (!messageToBlame.includes(codeOf(error) ?? 0)) throw error;
        reject(wordsOf(error));
      },
    );
    sent.catch(() => undefined);
    return sent;
  }
}
