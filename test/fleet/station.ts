/** One made-up station that publishes through the real code: feed, outbox, tasks, sinks. Same seed, same trips. */

import type { PublishConfig } from '../../config/publish.ts';
import type { ChannelConfig, QuantityKind, RigConfig } from '../../config/rig.ts';
import { machineClock } from '../../daemon/publish/clock.ts';
import { createSink } from '../../daemon/publish/create-sink.ts';
import { Publisher } from '../../daemon/publish/publisher.ts';
import type { HelloMessage } from '../../daemon/recorder/messages.ts';
import { eventIdAt } from '../../daemon/store/event-folder.ts';
import { Random } from '../../daemon/virtual-rig/random.ts';
import type { StatusView } from '../../daemon/web/wire.ts';
import { monotonic_s } from '../../drivers/driver.ts';
import { influxConfig, mqttConfig } from '../support/sink-configs.ts';
import { type Closure, swing, syntheticVerdict } from '../support/synthetic-event.ts';

/** Two legs of three taps, a meter and a tank: eight channels. */
const quantities: readonly QuantityKind[] = [...Array<QuantityKind>(6).fill('pressure'), 'velocity', 'level'];
export const pressureChannels = quantities.filter((quantity) => quantity === 'pressure').length;
const channels = quantities.map((quantity, k) => ({ id: `CH-${k + 1}`, quantity })) as Pick<
  ChannelConfig,
  'id' | 'quantity'
>[];
const summaryPeriod_s = 0.5;
/** From the trip to the end of its record, in s. */
const record_s = 3;

export interface StationOptions {
  readonly node: string;
  readonly seed: number;
  readonly folder: string;
  readonly mqttUrl: string;
  readonly influxUrl: string;
  /** Mean time between trips, in s. */
  readonly tripEvery_s: number;
}

/** What one station said, counted by itself before it went into the outbox. */
export interface StationTally {
  readonly node: string;
  readonly seconds: number;
  readonly events: readonly string[];
  /** By the sinks' own count; `waiting` is 0 when all is drained. */
  readonly sinks: readonly {
    readonly name: string;
    readonly delivered: number;
    readonly rejected: number;
    readonly shed: number;
    readonly waiting: number;
    readonly failed: number;
    readonly state: string;
    readonly why: string;
  }[];
  readonly unqueued: number;
}

export class Station {
  readonly #options: StationOptions;
  readonly #random: Random;
  readonly #hello: HelloMessage;
  readonly #publisher: Publisher;
  readonly #seconds = new Set<number>();
  readonly #events: string[] = [];
  readonly #values = new Float64Array(4 * channels.length);
  readonly #began_s = monotonic_s();
  #sequence = 0;
  #tripAt_s: number;
  #closing: { readonly id: string; readonly wall_ms: number; readonly at_s: number } | null = null;

  constructor(options: StationOptions) {
    const { folder, influxUrl, mqttUrl, node, seed, tripEvery_s } = options;
    this.#options = options;
    this.#random = new Random(seed, node);
    // The first trip falls anywhere, as if the station had run before.
    this.#tripAt_s = monotonic_s() + tripEvery_s * this.#random.uniform();
    const publish: PublishConfig = {
      node,
      quota_bytes: 1e9,
      backlogRate_Hz: 200,
      sinks: [
        mqttConfig(mqttUrl, { name: 'broker', version: '5' }),
        influxConfig(influxUrl, { name: 'history', api: 'v1', bucket: 'fleet' }),
      ],
    };
    this.#hello = {
      kind: 'hello',
      config: { dataFolder: folder, channels } as unknown as RigConfig,
      software: 'fleet',
      boot: 'fleet',
      anchor: { time_s: 0, wall_ms: 0 },
    };
    this.#publisher = new Publisher({
      publish,
      hello: this.#hello,
      events: () => [],
      createSink,
      clock: machineClock,
      random: () => this.#random.uniform(),
      trouble: () => undefined,
      log: () => undefined,
    });
    this.#publisher.start();
  }

  /** The whole second of the wall clock that has just ended; a trip is in it when its time has come. */
  second(start_ms: number): void {
    const now_s = monotonic_s();
    const start_s = now_s - (Date.now() - start_ms) / 1000;
    this.#seconds.add(start_ms);
    for (let part = 0; part < 1; part += summaryPeriod_s) this.#summary(start_s + part);
    this.status();
    if (this.#closing !== null && now_s >= this.#closing.at_s) this.#close(this.#closing);
    if (now_s >= this.#tripAt_s) this.#trip(start_s, start_ms);
  }

  /** Goes on while a station that makes no more samples drains. */
  status(): void {
    const link = { state: 'open' as const, since_s: this.#began_s, why: '' };
    const counters = { samplesTaken: 500 * this.#seconds.size, samplesLost: 0 };
    const view = {
      phase: this.#closing === null ? 'running' : 'tripped',
      tripIn_s: null,
      lines: [{ line: 'bus', driver: 'modbus', link, counters }],
      counters: {},
      troubles: [],
    } as unknown as StatusView;
    this.#publisher.status(view);
  }

  /** The record of a trip and the second that are still open are closed now. */
  finish(): void {
    this.#publisher.hello(this.#hello);
    if (this.#closing !== null) this.#close(this.#closing);
  }

  tally(): StationTally {
    const sinks = this.#publisher.views().map(({ name, waiting, state, why, counters }) => ({
      name,
      delivered: counters['messagesDelivered'] ?? 0,
      rejected: counters['messagesRejected'] ?? 0,
      shed: counters['messagesShed'] ?? 0,
      failed: counters['deliveriesFailed'] ?? 0,
      waiting,
      state,
      why,
    }));
    const { messagesUnqueued: unqueued } = this.#publisher.counters;
    return { node: this.#options.node, seconds: this.#seconds.size, events: this.#events, sinks, unqueued };
  }

  stop(): Promise<void> {
    return this.#publisher.stop();
  }

  #summary(time_s: number): void {
    const values = this.#values;
    for (let k = 0; k < channels.length; k++) {
      const mean = 4e5 + 5e4 * Math.sin(0.02 * time_s + k) + 800 * this.#random.normal();
      values.set([mean - 900, mean + 900, mean + 150, mean], 4 * k);
    }
    this.#publisher.summary({
      kind: 'summary',
      sequence: this.#sequence++,
      time_s,
      period_s: summaryPeriod_s,
      values: values.slice(),
      counts: new Uint32Array(channels.length).fill(250),
      flags: new Uint8Array(channels.length),
      droppedBefore: 0,
    });
  }

  #trip(time_s: number, wall_ms: number): void {
    const id = eventIdAt(wall_ms, 0);
    this.#publisher.trip({ kind: 'trip', event: id, source: 'contact', time_s, declared_s: time_s });
    this.#closing = { id, wall_ms, at_s: monotonic_s() + record_s };
    // Exponential between trips, but never inside the record of one.
    const { tripEvery_s } = this.#options;
    this.#tripAt_s = monotonic_s() + record_s + 1 - tripEvery_s * Math.log(1 - this.#random.uniform());
  }

  #close({ id, wall_ms }: { readonly id: string; readonly wall_ms: number }): void {
    this.#closing = null;
    this.#events.push(id);
    const verdict = syntheticVerdict(id, this.#closure());
    const row = { id, wall_ms, source: 'contact', closedBecause: 'settled', verdict, shape: null };
    this.#publisher.event({ row, trouble: null });
  }

  /** A valve of this station: what is plausible for a swing valve, no two alike. */
  #closure(): Closure {
    const random = this.#random;
    const approach_mps = random.between(1.5, 3.2);
    const reversal_s = random.between(0.2, 0.6);
    const largest_mps = Math.exp(-1 + 0.5 * random.normal());
    const equivalent_mps = largest_mps * random.between(0.3, 1);
    const seating_s = reversal_s + random.between(0.01, 0.4);
    return {
      ...swing,
      approach_mps,
      reversal_s,
      seating_s,
      largest_mps,
      equivalent_mps,
      atSeating_mps: equivalent_mps * 0.9,
    };
  }
}
