/**
 * One batch on its way, QoS 1: a message is settled when its PUBACK came and those of all before it; so many are on the way at a
 * time that a common broker drops none (its default is 20).
 */
import type { MqttClient } from 'mqtt';
import type { MqttSinkConfig } from '../../../config/publish.ts';
import type { Batch, Delivery, Rejection } from '../sink.ts';
import { bodyOf, topicOf } from './bodies.ts';
import { answeredWithin, codeOf, wordsOf } from './broker.ts';
import type { BrokerLink } from './link.ts';
import type { Suspect } from './suspect.ts';

const mostUnacknowledged = 20;
/** PUBACK codes that blame the message (MQTT 5.0, 3.4.2.1): topic name invalid, payload format invalid. */
const messageToBlame = [144, 153];
/** As the library says it of a message whose connection it gave up by itself, such as at an answer that it cannot read. */
const cutOff = 'Connection closed';

interface Sent {
  readonly size_bytes: number;
  /** False: too large for this broker by its own word. */
  readonly isSent: boolean;
  /** Resolves when the broker has the message, or will never take it. */
  readonly done: Promise<void>;
}

export class WindowedDelivery {
  readonly #client: MqttClient;
  readonly #link: BrokerLink;
  readonly #suspect: Suspect;
  readonly #prefix: string;
  readonly #timeout_s: number;
  readonly #batch: Batch;
  readonly #rejected: Rejection[] = [];

  constructor(
    client: MqttClient,
    link: BrokerLink,
    suspect: Suspect,
    { timeout_s, topic }: Pick<MqttSinkConfig, 'timeout_s' | 'topic'>,
    batch: Batch,
  ) {
    this.#client = client;
    this.#link = link;
    this.#suspect = suspect;
    this.#prefix = topic;
    this.#timeout_s = timeout_s;
    this.#batch = batch;
  }

  /** Ends early, with what was acknowledged by then, when `aborted` rejects, the connection is lost or the broker refuses. */
  async run(aborted: Promise<never>): Promise<Delivery> {
    const { messages } = this.#batch;
    const { receiveMaximum } = this.#client.serverProperties ?? {};
    const most = this.#suspect.mustGoAlone(messages)
      ? 1
      : Math.min(mostUnacknowledged, receiveMaximum ?? mostUnacknowledged);
    const underWay: Sent[] = [];
    let settled = 0;
    let next = 0;
    let why: string | null = null;
    let hasHungUp = false;
    const { promise: closed, reject } = Promise.withResolvers<never>();
    closed.catch(() => undefined);
    const onClose = () => {
      hasHungUp = true;
      reject(new Error(this.#link.lostWhy));
    };
    this.#client.once('close', onClose);
    try {
      if (!this.#client.connected) throw new Error(this.#link.lostWhy);
      while (settled < messages.length) {
        while (next < messages.length && underWay.length < most) underWay.push(this.#send(next++));
        const first = underWay[0]!;
        await answeredWithin(this.#timeout_s, Promise.race([first.done, closed, aborted]));
        const { seq } = messages[settled++]!;
        if (first.isSent) this.#suspect.acknowledged(seq, first.size_bytes);
        else this.#suspect.settled(seq);
        void underWay.shift();
      }
    } catch (error) {
      hasHungUp ||= error instanceof Error && error.message === cutOff;
      why = hasHungUp ? this.#link.lostWhy : wordsOf(error);
      if (codeOf(error) === 135) why += '. Check what the user may publish.';
      this.#link.discard(this.#client, why);
      if (
        hasHungUp &&
        underWay[0] !== undefined &&
        this.#isToBlame(settled, next - 1, underWay[0].size_bytes)
      )
        settled++;
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

  /** `first` and `last` index the messages on their way. */
  #isToBlame(first: number, last: number, size_bytes: number): boolean {
    const { isHistorical, messages } = this.#batch;
    const message = messages[first]!;
    const { seq } = message;
    if (!this.#suspect.hungUpAt(seq, messages[last]!.seq, size_bytes, this.#link.lostCode)) return false;
    this.#suspect.settled(seq);
    const why = `The broker disconnects whenever this message is sent. It has ${size_bytes} bytes, more than any accepted one. Check the broker's size limit and what the user may publish.`;
    this.#rejected.push({ seq, why, sent: bodyOf(message, isHistorical) });
    return true;
  }

  #send(index: number): Sent {
    const message = this.#batch.messages[index]!;
    const topic = topicOf(this.#prefix, message);
    const body = bodyOf(message, this.#batch.isHistorical);
    const limit_bytes = this.#client.serverProperties?.maximumPacketSize ?? Number.POSITIVE_INFINITY;
    const size_bytes = publishSize_bytes(topic, body);
    const reject = (why: string) => void this.#rejected.push({ seq: message.seq, why, sent: body });
    if (size_bytes > limit_bytes) {
      reject(`The broker accepts packets of ${limit_bytes} bytes at most; this one has ${size_bytes}.`);
      return { size_bytes, isSent: false, done: Promise.resolve() };
    }
    const done = this.#client.publishAsync(topic, body, { qos: 1 }).then(
      () => undefined,
      (error: unknown) => {
        if (!messageToBlame.includes(codeOf(error) ?? 0)) throw error;
        reject(wordsOf(error));
      },
    );
    done.catch(() => undefined);
    return { size_bytes, isSent: true, done };
  }
}

/** Of a PUBLISH with QoS 1 and no properties (MQTT 5.0, 3.3): type, length, topic behind its length, identifier, properties. */
function publishSize_bytes(topic: string, body: string): number {
  const rest_bytes = 2 + Buffer.byteLength(topic) + 2 + 1 + Buffer.byteLength(body);
  // 1.5.5: seven bits of a length in each byte.
  const length_bytes = Math.max(1, Math.ceil(Math.log2(rest_bytes + 1) / 7));
  return 1 + length_bytes + rest_bytes;
}
