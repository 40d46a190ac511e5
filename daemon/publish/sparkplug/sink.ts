/**
 * A Sparkplug B edge node. Its data is QoS 0 by the specification, so nothing acknowledges a message: a ping after each batch
 * does. A broker answers the packets of one connection in their order, so what went before an answered ping has arrived.
 */
import type { MqttClient } from 'mqtt';
import type { SparkplugSinkConfig } from '../../../config/publish.ts';
import { drop, untilAborted, wordsOf } from '../mqtt/broker.ts';
import { BrokerLink } from '../mqtt/link.ts';
import type { Batch, Delivery, Sink, SinkStart } from '../sink.ts';
import { PrimaryHost } from './primary-host.ts';
import { isRebirthRequest } from './protobuf.ts';
import { NodeSession } from './session.ts';
import { valuesOf } from './values.ts';

const namespace = 'spBv1.0';

export class SparkplugSink implements Sink {
  readonly address: string;
  readonly #config: SparkplugSinkConfig;
  #link: BrokerLink | null = null;
  #session: NodeSession | null = null;
  /** Of the newest connection. */
  #pings: Pings | null = null;
  #node = '';
  #state: 'new' | 'started' | 'stopped' = 'new';

  constructor(config: SparkplugSinkConfig) {
    this.#config = config;
    this.address = `${config.url}, Sparkplug group ${config.group}`;
  }

  start({ node, software, wake }: SinkStart): void {
    if (this.#state !== 'new') throw new Error(`started when ${this.#state}`);
    this.#state = 'started';
    this.#node = node;
    const session = new NodeSession(software);
    this.#session = session;
    this.#link = new BrokerLink({
      config: this.#config,
      node,
      // tck-id-payloads-ndeath-will-message-qos, -retain: 1, false.
      will: () => ({ topic: this.#topic('NDEATH'), payload: session.nextWill(Date.now()), retain: false }),
      born: (client) => this.#beBorn(client, session),
      farewell: (client) => this.#die(client, session),
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

  async deliver({ isHistorical, messages }: Batch, signal: AbortSignal): Promise<Delivery> {
    const link = this.#link;
    const session = this.#session;
    if (link === null || session === null) throw new Error(`asked to deliver when ${this.#state}`);
    return untilAborted(signal, async (aborted) => {
      let client: MqttClient | null = null;
      try {
        client = await Promise.race([link.open(), aborted]);
        for (const message of messages) {
          const values = valuesOf(message);
          const now_ms = Date.now();
          if (session.learn(values, now_ms)) this.#send(client, 'NBIRTH', session.birth(now_ms));
          const data = session.data(values, message.at_ms, isHistorical, now_ms);
          if (data !== null) this.#send(client, 'NDATA', data);
        }
        await Promise.race([this.#pings!.answered(() => link.lostWhy), aborted]);
      } catch (error) {
        if (client !== null) drop(client);
        return { settled: 0, rejected: [], unavailable: { why: wordsOf(error), retryAfter_s: null } };
      }
      return { settled: messages.length, rejected: [], unavailable: null };
    });
  }

  /** Listens for commands and for the primary host before it says anything. */
  async #beBorn(client: MqttClient, session: NodeSession): Promise<void> {
    const { primaryHost } = this.#config;
    const pings = new Pings(client);
    this.#pings = pings;
    const commands = this.#topic('NCMD');
    const stateTopic = `${namespace}/STATE/${primaryHost}`;
    const host = new PrimaryHost();
    const { promise: hostIsOnline, resolve } = Promise.withResolvers<void>();
    let isBorn = false;
    if (primaryHost === null) resolve();
    client.on('message', (topic, body) => {
      if (topic === commands) {
        // Nothing else can be commanded: this node writes to no device.
        if (isBorn && isRebirthRequest(body)) this.#send(client, 'NBIRTH', session.birth(Date.now()));
      } else if (topic === stateTopic) {
        host.hear(body);
        if (host.isOnline) resolve();
        else if (isBorn)
          void this.#die(client, session).then(
            () => client.end(),
            () => drop(client),
          );
      }
    });
    await client.subscribeAsync(commands, { qos: 1 });
    if (primaryHost !== null) await client.subscribeAsync(stateTopic, { qos: 1 });
    await Promise.race([hostIsOnline, hostPatience(this.#config.timeout_s, primaryHost)]);
    isBorn = true;
    this.#send(client, 'NBIRTH', session.birth(Date.now()));
    await pings.answered(() => 'The connection was lost.');
  }

  /** tck-id-operational-behavior-edge-node-intentional-disconnect-ndeath: said before the DISCONNECT, which takes the will back. */
  async #die(client: MqttClient, session: NodeSession): Promise<void> {
    await client.publishAsync(this.#topic('NDEATH'), session.death(Date.now()), { qos: 1, retain: false });
  }

  /** tck-id-topics-nbirth-mqtt, tck-id-topics-ndata-mqtt: QoS 0, not retained. */
  #send(client: MqttClient, type: 'NBIRTH' | 'NDATA', payload: Buffer): void {
    if (client.connected) client.publish(this.#topic(type), payload, { qos: 0, retain: false });
  }

  #topic(type: 'NBIRTH' | 'NDATA' | 'NDEATH' | 'NCMD'): string {
    return `${namespace}/${this.#config.group}/${type}/${this.#node}`;
  }
}

/** Somewhat earlier than the link's own patience, for the better reason. */
async function hostPatience(timeout_s: number, host: string | null): Promise<never> {
  await new Promise((resolve) => setTimeout(resolve, 900 * timeout_s).unref());
  throw new Error(`The primary host ${host} is not online at this broker.`);
}

/** Pings of one connection, those that the library sends by itself counted along. */
class Pings {
  readonly #client: MqttClient;
  #sent = 0;
  #answered = 0;

  /** From the begin of the connection on. */
  constructor(client: MqttClient) {
    this.#client = client;
    client.on('packetsend', ({ cmd }) => {
      if (cmd === 'pingreq') this.#sent++;
    });
    client.on('packetreceive', ({ cmd }) => {
      if (cmd === 'pingresp') this.#answered++;
    });
  }

  /** Resolves when a ping that is sent now has been answered; rejects when the connection ends before. */
  answered(lostWhy: () => string): Promise<void> {
    const client = this.#client;
    const { promise, reject, resolve } = Promise.withResolvers<void>();
    const closed = () => reject(new Error(lostWhy()));
    client.once('close', closed);
    let mine = Number.POSITIVE_INFINITY;
    const received = () => {
      if (this.#answered >= mine) resolve();
    };
    client.on('packetreceive', received);
    if (!client.connected) closed();
    else {
      client.sendPing();
      mine = this.#sent;
    }
    return promise.finally(() => {
      client.off('packetreceive', received);
      client.off('close', closed);
    });
  }
}
