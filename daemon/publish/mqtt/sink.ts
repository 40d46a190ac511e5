/** JSON on the topics of a broker, and commands from it where the rig file allows any. */
import type { MqttClient } from 'mqtt';
import type { MqttSinkConfig } from '../../../config/publish.ts';
import type { Counters } from '../../../drivers/driver.ts';
import { machineClock } from '../clock.ts';
import type { Batch, Delivery, Sink, SinkClock, SinkStart } from '../sink.ts';
import { answerTopic, commandTopic, offlineBody, onlineBody, statusTopic } from './bodies.ts';
import { untilAborted, wordsOf } from './broker.ts';
import { CommandDesk } from './commands.ts';
import { BrokerLink } from './link.ts';
import { Suspect } from './suspect.ts';
import { WindowedDelivery } from './windowed-delivery.ts';

export class MqttSink implements Sink {
  readonly address: string;
  readonly #config: MqttSinkConfig;
  #link: BrokerLink | null = null;
  #state: 'new' | 'started' | 'stopped' = 'new';
  readonly #suspect = new Suspect();
  #desk: CommandDesk | null = null;
  readonly #clock: SinkClock;
  #answersLost = 0;

  constructor(config: MqttSinkConfig, clock: SinkClock = machineClock) {
    this.#config = config;
    this.#clock = clock;
    this.address = `${config.url}, topics ${config.topic}/...`;
  }

  get counters(): Counters {
    return { ...this.#desk?.counters, ...(this.#desk === null ? {} : { answersLost: this.#answersLost }) };
  }

  start(start: SinkStart): void {
    const { boot, node, software, wake } = start;
    if (this.#state !== 'new') throw new Error(`started when ${this.#state}`);
    this.#state = 'started';
    const topic = statusTopic(this.#config.topic, node);
    const say = async (client: MqttClient, body: string) => {
      await client.publishAsync(topic, body, { qos: 1, retain: true });
    };
    const { commands, name } = this.#config;
    if (commands.length > 0) {
      this.#desk = new CommandDesk({
        allowed: commands,
        sink: name,
        start,
        answer: (command, body) => this.#answer(answerTopic(this.#config.topic, node, command), body),
        wallNow_ms: () => this.#clock.wallNow_ms(),
        now_s: () => this.#clock.now_s(),
      });
    }
    this.#link = new BrokerLink({
      config: this.#config,
      node,
      will: () => ({ topic, payload: Buffer.from(offlineBody), retain: true }),
      born: async (client) => {
        await say(client, onlineBody(node, boot, software, this.#clock.wallNow_ms()));
        await this.#listen(client, start);
      },
      farewell: (client) => say(client, offlineBody),
      wake,
      random: Math.random,
    });
    this.#link.keep();
  }

  /** A broker that forbids it costs the commands, never what is published. */
  async #listen(client: MqttClient, { node, station }: SinkStart): Promise<void> {
    const desk = this.#desk;
    if (desk === null) return;
    const topic = commandTopic(this.#config.topic, node);
    client.on('message', (at, body, { retain }) => {
      void desk.hear(at.slice(topic.length - 1), body, retain);
    });
    try {
      // `rap`: what was published as retained says so (MQTT 5.0, 3.8.3.1); 3.1.1 tells it at the subscription only.
      await client.subscribeAsync(topic, { qos: 1, rap: true });
    } catch (error) {
      if (!client.connected) throw error;
      station.log(`${this.#config.name} accepts no commands: ${wordsOf(error)}`);
    }
  }

  /** QoS 0: it takes no place in the window that the messages have. */
  #answer(topic: string, body: string): void {
    const lost = () => void this.#answersLost++;
    if (this.#link === null) lost();
    else {
      this.#link
        .open()
        .then((client) => client.publishAsync(topic, body, { qos: 0 }))
        .catch(lost);
    }
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
      const delivery = new WindowedDelivery(client, link, this.#suspect, this.#config, batch);
      return delivery.run(aborted);
    });
  }
}
