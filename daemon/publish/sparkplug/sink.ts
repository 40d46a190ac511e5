/**
 * A Sparkplug B edge node. Its data is QoS 0 by the specification, so nothing acknowledges a message: a ping after each batch
 * does. A broker answers the packets of one connection in their order, so what went before an answered ping has arrived.
 */
import type { MqttClient } from 'mqtt';
import type { SparkplugSinkConfig } from '../../../config/publish.ts';
import { Allowance } from '../../allowance.ts';
import { machineClock } from '../clock.ts';
import { answeredWithin, drop, untilAborted, wordsOf } from '../mqtt/broker.ts';
import { BrokerLink } from '../mqtt/link.ts';
import type { Batch, Delivery, Sink, SinkClock, SinkStart } from '../sink.ts';
import { Pings } from './pings.ts';
import { PrimaryHost } from './primary-host.ts';
import { isRebirthRequest } from './protobuf.ts';
import { NodeSession, type Outgoing } from './session.ts';

const namespace = 'spBv1.0';
/** So many messages before a ping: a slow line settles at least these before it is given up. */
const mostAtOnce = 50;
/** So many rebirths are said at once when they are asked for, and then one after each such time, in s: whoever may publish may ask. */
const rebirthBurst = 5;
const rebirthRefill_s = 6;

/** One connection, from the wait for the primary host to its end. */
interface Life {
  readonly pings: Pings;
  /** `over`: this node has said that it is dead; nothing may follow on this connection. */
  stage: 'waiting' | 'born' | 'over';
  /** It was asked for and not yet said. */
  isRebirthDue: boolean;
}

export class SparkplugSink implements Sink {
  readonly address: string;
  readonly #config: SparkplugSinkConfig;
  #link: BrokerLink | null = null;
  #session: NodeSession | null = null;
  /** Of the newest connection. */
  #life: Life | null = null;
  readonly #clock: SinkClock;
  readonly #rebirths: Allowance;
  #node = '';
  #state: 'new' | 'started' | 'stopped' = 'new';

  constructor(config: SparkplugSinkConfig, clock: SinkClock = machineClock) {
    this.#config = config;
    this.#clock = clock;
    this.#rebirths = new Allowance(rebirthBurst, rebirthRefill_s, () => clock.now_s());
    this.address = `${config.url}, Sparkplug group ${config.group}`;
  }

  start({ lineOf, node, software, wake }: SinkStart): void {
    if (this.#state !== 'new') throw new Error(`started when ${this.#state}`);
    this.#state = 'started';
    this.#node = node;
    const session = new NodeSession(software, lineOf);
    this.#session = session;
    this.#link = new BrokerLink({
      config: this.#config,
      node,
      // tck-id-payloads-ndeath-will-message-qos, -retain: 1, false.
      will: () => ({
        topic: this.#topic('NDEATH'),
        payload: session.deaths.nextWill(this.#clock.wallNow_ms()),
        retain: false,
        sent: () => session.deaths.willSent(),
      }),
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
    const { primaryHost, timeout_s } = this.#config;
    if (link === null || session === null) throw new Error(`asked to deliver when ${this.#state}`);
    return untilAborted(signal, async (aborted) => {
      let client: MqttClient;
      try {
        client = await Promise.race([link.open(), aborted]);
      } catch (error) {
        return unavailable(wordsOf(error));
      }
      const life = this.#life!;
      for (let settled = 0; settled < messages.length; settled += mostAtOnce) {
        if (life.stage === 'over')
          return unavailable(`The primary host ${primaryHost} went offline.`, settled);
        this.#answerRebirth(client, session, life);
        const some = messages.slice(settled, settled + mostAtOnce);
        const all = session.tell(some, isHistorical, this.#clock.wallNow_ms());
        try {
          for (const one of all) this.#send(client, one);
          const answered = life.pings.answered(() => link.lostWhy);
          await answeredWithin(timeout_s, Promise.race([answered, aborted]));
          session.settle();
        } catch (error) {
          session.undo();
          link.discard(client, wordsOf(error));
          return unavailable(wordsOf(error), settled);
        }
      }
      return { settled: messages.length, rejected: [], unavailable: null };
    });
  }

  /** Listens for commands and for the primary host before it says anything. */
  async #beBorn(client: MqttClient, session: NodeSession): Promise<void> {
    const { primaryHost } = this.#config;
    const life: Life = { pings: new Pings(client), stage: 'waiting', isRebirthDue: false };
    this.#life = life;
    const commands = this.#topic('NCMD');
    const stateTopic = `${namespace}/STATE/${primaryHost}`;
    const host = new PrimaryHost();
    const { promise: hostIsOnline, resolve } = Promise.withResolvers<void>();
    if (primaryHost === null) resolve();
    client.on('message', (topic, body) => {
      if (topic === commands) {
        // Nothing else can be commanded: this node writes to no device.
        life.isRebirthDue ||= life.stage === 'born' && isRebirthRequest(body);
        this.#answerRebirth(client, session, life);
      } else if (topic === stateTopic) {
        host.hear(body);
        if (host.isOnline) resolve();
        else if (life.stage === 'born') {
          setTimeout(() => drop(client), this.#config.timeout_s * 1000).unref();
          void this.#die(client, session).then(
            () => client.end(),
            () => drop(client),
          );
        }
      }
    });
    await client.subscribeAsync(commands, { qos: 1 });
    if (primaryHost !== null) await client.subscribeAsync(stateTopic, { qos: 1 });
    await Promise.race([hostIsOnline, hostPatience(this.#config.timeout_s, primaryHost)]);
    // It may have gone in the same moment.
    if (primaryHost !== null && !host.isOnline) throw hostIsAway(primaryHost);
    life.stage = 'born';
    this.#sayBirths(client, session);
    await life.pings.answered(() => 'The connection was lost.');
  }

  /** What is too much now is said with the next data. */
  #answerRebirth(client: MqttClient, session: NodeSession, life: Life): void {
    if (life.stage !== 'born' || !life.isRebirthDue || !this.#rebirths.take()) return;
    life.isRebirthDue = false;
    this.#sayBirths(client, session);
  }

  #sayBirths(client: MqttClient, session: NodeSession): void {
    for (const one of session.births(this.#clock.wallNow_ms())) this.#send(client, one);
  }

  /** tck-id-operational-behavior-edge-node-intentional-disconnect-ndeath: said before the DISCONNECT, which takes the will back. */
  async #die(client: MqttClient, session: NodeSession): Promise<void> {
    if (this.#life?.stage !== 'born') return;
    this.#life.stage = 'over';
    await client.publishAsync(this.#topic('NDEATH'), session.deaths.payload(this.#clock.wallNow_ms()), {
      qos: 1,
      retain: false,
    });
  }

  /** tck-id-topics-nbirth-mqtt, -ndata-, -dbirth-, -ddata-, -ddeath-mqtt: QoS 0, not retained. */
  #send(client: MqttClient, { device, payload, type }: Outgoing): void {
    if (!client.connected) return;
    const topic = device === null ? this.#topic(type) : `${this.#topic(type)}/${device}`;
    client.publish(topic, payload, { qos: 0, retain: false });
  }

  #topic(type: Outgoing['type'] | 'NDEATH' | 'NCMD'): string {
    return `${namespace}/${this.#config.group}/${type}/${this.#node}`;
  }
}

function unavailable(why: string, settled = 0): Delivery {
  return { settled, rejected: [], unavailable: { why, retryAfter_s: null } };
}

function hostIsAway(host: string | null): Error {
  return new Error(`The primary host ${host} is not online at this broker.`);
}

/** Somewhat earlier than the link's own patience, for the better reason. */
async function hostPatience(timeout_s: number, host: string | null): Promise<never> {
  await new Promise((resolve) => setTimeout(resolve, 900 * timeout_s).unref());
  throw hostIsAway(host);
}
