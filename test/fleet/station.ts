/** One made-up station that publishes through the real code: feed, outbox, tasks, sinks. Same seed, same trips. */

import type { PublishConfig } from '../../config/publish.ts';
import type { RigConfig } from '../../config/rig.ts';
import { machineClock } from '../../daemon/publish/clock.ts';
import { createSink } from '../../daemon/publish/create-sink.ts';
import { Publisher } from '../../daemon/publish/publisher.ts';
import type { HelloMessage } from '../../daemon/recorder/messages.ts';
import { eventIdAt } from '../../daemon/store/event-folder.ts';
import { Random } from '../../daemon/virtual-rig/random.ts';
import type { StatusView } from '../../daemon/web/wire.ts';
import { monotonic_s } from '../../drivers/driver.ts';
import { influxConfig, mqttConfig } from '../support/sink-configs.ts';
import { syntheticVerdict } from '../support/synthetic-event.ts';
import { drawClosure, measure, type StationTrip, stationChannels } from './plant.ts';

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

/** What one station said, noted by itself before it went into the outbox. */
export interface StationTally {
  readonly node: string;
  /** Starts of the seconds, in ms since 1970. */
  readonly seconds: readonly number[];
  /** Mean of the first channel in each of them, in Pa. */
  readonly means_Pa: readonly number[];
  readonly events: readonly { readonly id: string; readonly wall_ms: number }[];
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
  readonly #seconds: number[] = [];
  readonly #means_Pa: number[] = [];
  readonly #events: { readonly id: string; readonly wall_ms: number }[] = [];
  readonly #values = new Float64Array(4 * stationChannels.length);
  readonly #began_s = monotonic_s();
  #sequence = 0;
  #tripAt_s: number;
  #trip: (StationTrip & { readonly id: string; readonly wall_ms: number }) | null = null;

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
      config: { dataFolder: folder, channels: stationChannels } as unknown as RigConfig,
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
    if (this.#trip === null && now_s >= this.#tripAt_s) this.#begin(start_s, start_ms);
    let sum_Pa = 0;
    for (let part = 0; part < 1; part += summaryPeriod_s) sum_Pa += this.#summary(start_s + part);
    this.#seconds.push(start_ms);
    this.#means_Pa.push(sum_Pa * summaryPeriod_s);
    this.status();
    if (this.#trip !== null && now_s >= this.#trip.time_s + record_s) this.#close();
  }

  /** Goes on while a station that makes no more samples drains. */
  status(): void {
    const link = { state: 'open' as const, since_s: this.#began_s, why: '' };
    const counters = { samplesTaken: 500 * this.#seconds.length, samplesLost: 0 };
    const view = {
      phase: this.#trip === null ? 'running' : 'tripped',
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
    if (this.#trip !== null) this.#close();
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
    const { node } = this.#options;
    return { node, seconds: this.#seconds, means_Pa: this.#means_Pa, events: this.#events, sinks, unqueued };
  }

  stop(): Promise<void> {
    return this.#publisher.stop();
  }

  /** Returns the mean of the first channel. */
  #summary(time_s: number): number {
    const values = this.#values;
    measure(values, time_s, summaryPeriod_s, this.#trip, this.#random);
    this.#publisher.summary({
      kind: 'summary',
      sequence: this.#sequence++,
      time_s,
      period_s: summaryPeriod_s,
      values: values.slice(),
      counts: new Uint32Array(stationChannels.length).fill(250),
      flags: new Uint8Array(stationChannels.length),
      droppedBefore: 0,
    });
    return values[3]!;
  }

  /** Somewhere in this second the pump loses its drive. */
  #begin(start_s: number, start_ms: number): void {
    const after_ms = Math.floor(1000 * this.#random.uniform());
    const wall_ms = start_ms + after_ms;
    const id = eventIdAt(wall_ms, 0);
    const time_s = start_s + after_ms / 1000;
    this.#publisher.trip({ kind: 'trip', event: id, source: 'contact', time_s, declared_s: time_s });
    this.#trip = { id, wall_ms, time_s, closure: drawClosure(this.#random) };
    // Exponential between trips, but never inside the record of one.
    const { tripEvery_s } = this.#options;
    this.#tripAt_s = time_s + record_s + 2 - tripEvery_s * Math.log(1 - this.#random.uniform());
  }

  #close(): void {
    const { closure, id, wall_ms } = this.#trip!;
    this.#trip = null;
    this.#events.push({ id, wall_ms });
    const verdict = syntheticVerdict(id, closure);
    const row = { id, wall_ms, source: 'contact', closedBecause: 'settled', verdict, shape: null };
    this.#publisher.event({ row, trouble: null });
  }
}
