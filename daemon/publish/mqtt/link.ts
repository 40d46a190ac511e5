/**
 * One connection to a broker, opened again after it is lost: at once when somebody asks for it, else after a growing rest.
 * The outbox owns what waits; here is nothing but the connection.
 */
import { type MqttClient, ReasonCodes } from 'mqtt';
import type { BrokerConfig, SinkConfigBase } from '../../../config/publish.ts';
import { monotonic_s } from '../../../drivers/driver.ts';
import { answeredWithin, drop, type LastWill, openBroker, wordsOf } from './broker.ts';

/** Rests between attempts that nobody asked for grow from the first to the last, in s; each is shortened by up to half. */
const firstRest_s = 1;
const lastRest_s = 60;
/** A connection that was lost sooner was of no use: the rests go on growing, but no longer than that of a bad line, in s. */
const useful_s = 10;
const badLineRest_s = 10;
/** After so many useless ones in a row a rest is kept whoever asks: two stations with one name would chase each other for ever. */
const mostUseless = 3;

export interface LinkOptions {
  readonly config: BrokerConfig & SinkConfigBase;
  /** Names this station to the broker where the configuration gives no client id. */
  readonly node: string;
  /** Asked for each CONNECT. */
  readonly will: () => LastWill;
  /** What is said first on a new connection; a rejection ends it. */
  readonly born: (client: MqttClient) => Promise<void>;
  /** What is said last before a goodbye. */
  readonly farewell: (client: MqttClient) => Promise<void>;
  /** A connection stands that nobody waited for. */
  readonly wake: () => void;
  readonly random: () => number;
}

export class BrokerLink {
  readonly #options: LinkOptions;
  #client: MqttClient | null = null;
  #opening: Promise<MqttClient> | null = null;
  #rest: NodeJS.Timeout | null = null;
  #failures = 0;
  /** On its way to be the connection: `born` is not yet done with it. */
  #young: MqttClient | null = null;
  readonly #stopping = new AbortController();
  /** Connections in a row that came into use and were soon lost. */
  #useless = 0;
  #lostWhy = '';
  #lostCode: number | null = null;

  constructor(options: LinkOptions) {
    this.#options = options;
  }

  /** Why the connection ended, for the answer of a delivery that it ended with. */
  get lostWhy(): string {
    return this.#lostWhy || 'The connection was lost.';
  }

  /** The broker's own reason for the end (MQTT 5.0, 3.14.2.1); null when it said none. */
  get lostCode(): number | null {
    return this.#lostCode;
  }

  /** Ends a connection that is of no use, with the reason: nothing of it may come after what the next one sends. */
  discard(client: MqttClient, why: string): void {
    if (this.#client === client) this.#lostWhy = why;
    drop(client);
  }

  /** Opens and keeps open from now on; never throws. */
  keep(): void {
    this.open().then(this.#options.wake, () => undefined);
  }

  /** The connection, or a new one; rejects with the reason why there is none. */
  open(): Promise<MqttClient> {
    if (this.#stopping.signal.aborted) return Promise.reject(new Error('stopped'));
    if (this.#client !== null) return Promise.resolve(this.#client);
    if (this.#rest !== null && this.#useless >= mostUseless) return Promise.reject(new Error(this.lostWhy));
    if (this.#rest !== null) clearTimeout(this.#rest);
    this.#rest = null;
    this.#opening ??= this.#open().finally(() => {
      this.#opening = null;
    });
    return this.#opening;
  }

  /** Says goodbye and frees the socket. */
  async stop(): Promise<void> {
    this.#stopping.abort();
    if (this.#young !== null) drop(this.#young);
    if (this.#rest !== null) clearTimeout(this.#rest);
    const client = this.#client;
    if (client === null) return;
    const patience = new Promise<void>((resolve) => setTimeout(resolve, 1000).unref());
    await Promise.race([this.#options.farewell(client).catch(() => undefined), patience]);
    await Promise.race([client.endAsync(), patience]);
    drop(client);
  }

  async #open(): Promise<MqttClient> {
    const { born, config, node, will } = this.#options;
    const clientId = config.clientId ?? `tripwave-${node}-${config.name}`;
    let client: MqttClient;
    try {
      client = await openBroker(config, clientId, will, this.#stopping.signal);
      this.#young = client;
    } catch (error) {
      this.#useless = 0;
      this.#restThenOpen();
      throw new Error(wordsOf(error), { cause: error });
    }
    this.#lostWhy = '';
    this.#lostCode = null;
    client.on('error', (error) => {
      this.#lostWhy ||= `The connection was lost: ${wordsOf(error)}.`;
    });
    client.on('disconnect', ({ reasonCode = 0 }) => {
      this.#lostCode = reasonCode;
      this.#lostWhy ||= `The broker closed the connection: ${disconnectWords(reasonCode)}.`;
    });
    const begin_s = monotonic_s();
    const closed = new Promise<never>((_, reject) => {
      client.once('close', () => {
        if (this.#client === client) this.#wasLost(monotonic_s() - begin_s);
        drop(client);
        this.#restThenOpen();
        reject(new Error(this.lostWhy));
      });
    });
    closed.catch(() => undefined);
    try {
      if (this.#stopping.signal.aborted || !client.connected) throw new Error(this.lostWhy);
      await answeredWithin(config.timeout_s, Promise.race([born(client), closed]));
      // Its end may have come with the last answer.
      if (!client.connected) throw new Error(this.lostWhy);
    } catch (error) {
      this.#lostWhy ||= wordsOf(error);
      drop(client);
      this.#restThenOpen();
      throw error;
    } finally {
      this.#young = null;
    }
    this.#client = client;
    return client;
  }

  #wasLost(lived_s: number): void {
    this.#client = null;
    const wasUseful = lived_s >= useful_s;
    this.#useless = wasUseful ? 0 : this.#useless + 1;
    if (wasUseful) this.#failures = 0;
  }

  #restThenOpen(): void {
    if (this.#stopping.signal.aborted || this.#rest !== null) return;
    const longest_s = this.#useless > 0 ? badLineRest_s : lastRest_s;
    const growing_s = Math.min(longest_s, firstRest_s * 2 ** Math.min(this.#failures++, 30));
    const rest_s = growing_s * (1 - this.#options.random() / 2);
    this.#rest = setTimeout(() => {
      this.#rest = null;
      this.keep();
    }, rest_s * 1000);
    this.#rest.unref();
  }
}

/** The broker's reason for its DISCONNECT (MQTT 5.0, 3.14.2.1). */
function disconnectWords(code: number): string {
  if (code === 142) return 'another client connected with the same clientId';
  return (ReasonCodes as Record<number, string>)[code] || `code ${code}`;
}
