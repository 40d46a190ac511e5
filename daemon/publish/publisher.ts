/**
 * Publishing, whole: what the recorder says goes into the outbox, and one task a sink takes it out. Lives in the server
 * process; the recorder knows nothing of it. Without a `publish:` section there is none.
 */
import type { PublishConfig, SinkConfig } from '../../config/publish.ts';
import type { RigConfig } from '../../config/rig.ts';
import { BusyError, DataError } from '../errors.ts';
import type { HelloMessage, Summary, TripMessage } from '../recorder/messages.ts';
import type { Capture } from '../store/capture-request.ts';
import type { EventRow } from '../store/event-index.ts';
import { messageOf } from '../store/files.ts';
import { withoutPaths } from '../without-paths.ts';
import { QueueAges } from './ages.ts';
import { type ClosedEvent, eventDrafts, StateFeed, type StationState } from './feed.ts';
import { Outbox } from './outbox.ts';
import type { DeadLetter, Draft, Told } from './outbox-types.ts';
import { SecondRollups } from './second-rollup.ts';
import { secretWarnings } from './secret.ts';
import type { Sink, SinkClock } from './sink.ts';
import { SinkTask, type TaskClock } from './sink-task.ts';
import type { SinkView } from './sink-view.ts';
import { publishedLevels_s, type ReadTrend, trendRound } from './trend-feed.ts';

export interface PublisherOptions {
  readonly publish: PublishConfig;
  readonly hello: HelloMessage;
  /** Events in the index, newest first; `before` is not included. */
  readonly events: (before: string | null, limit: number) => readonly EventRow[];
  readonly createSink: (config: SinkConfig, clock: SinkClock) => Sink;
  /** For receivers that may ask for it; absent where there is no ring. */
  readonly capture?: Capture;
  readonly clock: TaskClock;
  readonly random: () => number;
  /** Where troubles are shown; `null` clears. */
  readonly trouble: (key: string, text: { readonly what: string; readonly remedy: string } | null) => void;
  readonly log: (text: string) => void;
}

/** A second that is not finished by a later summary is finished after so long, in s. */
const patience_s = 2;
/** Trends are not published until this long after start, in s. */
const trendPatience_s = 120;
/** Rows of the index that are compared with the outbox at a time. */
const page = 50;
/** A page that asks for dead letters of an outbox that cannot be read may ask again after so long, in s. */
const retryAfter_s = 10;
/** The alarm of a full outbox ends when it is no fuller than this. */
const relaxed_ratio = 0.9;

/** None of its calls but `deadLetters` throws for what a disk or a receiver does. */
export class Publisher {
  /** `messagesUnqueued`: lost because the disk refused them; events among them are queued later. */
  readonly counters = { messagesUnqueued: 0 };
  readonly #options: PublisherOptions;
  readonly #outbox: Outbox;
  readonly #ages: QueueAges;
  readonly #tasks: readonly SinkTask[];
  readonly #feed = new StateFeed();
  #rollups: SecondRollups;
  #summary_s = Number.NEGATIVE_INFINITY;
  #channels: RigConfig['channels'];
  #started_s = Number.POSITIVE_INFINITY;
  #mustCatchUp = true;
  #shedSeen: number;

  /** Throws what node:sqlite throws when the outbox cannot be had. */
  constructor(options: PublisherOptions) {
    this.#options = options;
    const { clock, createSink, hello, publish, random } = options;
    this.#outbox = new Outbox({
      dataFolder: hello.config.dataFolder,
      node: publish.node,
      boot: hello.boot,
      quota_bytes: publish.quota_bytes,
      sinks: publish.sinks,
      alreadyThere: () => [...this.#pages()].flat().map(toldOf),
      wallNow_ms: clock.wallNow_ms,
    });
    if (this.#outbox.setAside !== null) {
      options.log(`the outbox was damaged and is started empty; the old one is ${this.#outbox.setAside}`);
    }
    for (const line of secretWarnings(publish)) options.log(line);
    this.#shedSeen = this.#outbox.counters.messagesShed;
    this.#ages = new QueueAges(this.#outbox.head);
    this.#rollups = this.#newRollups(hello);
    this.#channels = hello.config.channels;
    this.#tasks = publish.sinks.map(
      (config) =>
        new SinkTask({
          name: config.name,
          kind: config.kind,
          sink: createSink(config, clock),
          queue: this.#outbox.queue(config.name),
          agedSeq: (age_s) => this.#ages.upTo(clock.now_s() - age_s),
          backlogRate_Hz: publish.backlogRate_Hz,
          clock,
          random,
        }),
    );
  }

  start(): void {
    this.#started_s = this.#options.clock.now_s();
    const { hello, publish } = this.#options;
    for (const task of this.#tasks) {
      task.start({
        node: publish.node,
        boot: hello.boot,
        software: hello.software,
        station: {
          capture: this.#options.capture ?? noRing,
          sayAgain: () => this.#feed.repeat(),
          log: this.#options.log,
        },
        lineOf: (channel) => this.#channels.find(({ id }) => id === channel)?.line ?? null,
      });
    }
  }

  /** Another calibration, or other channels; the sinks stay as they are until the next start. */
  hello(hello: HelloMessage): void {
    this.#rollups.flush();
    this.#rollups = this.#newRollups(hello);
    this.#channels = hello.config.channels;
  }

  summary({ time_s, period_s, ...part }: Summary): void {
    this.#summary_s = this.#options.clock.now_s();
    this.#rollups.add(this.#wallOf_ms(time_s + period_s / 2), part);
  }

  /** To be called about once a second or oftener, also while the recorder is silent. */
  status(view: StationState): void {
    const { clock } = this.#options;
    if (clock.now_s() - this.#summary_s > patience_s) this.#rollups.flush();
    const now_ms = clock.wallNow_ms();
    const states = this.#feed.status(view, now_ms, (time_s) => this.#wallOf_ms(time_s));
    const alarms = this.#feed.alarms(view.troubles, now_ms);
    this.#put([...states, ...this.#feed.sinks(this.views(), now_ms)], false);
    this.#put(alarms, true);
  }

  trip({ event, source, time_s }: TripMessage): void {
    this.#put([{ at_ms: this.#wallOf_ms(time_s), payload: { kind: 'trip', event, source } }], false);
  }

  /** A closed event whose verdict is on the disk. Telling one again does nothing, and so does a kept window of another's trip. */
  event(ingested: ClosedEvent): void {
    this.#attempt(1, () => {
      this.#outbox.tell(toldOf(ingested.row), (isFirst) => {
        // Whoever counts what comes would count one trip twice.
        return ingested.row.sameTripAs === undefined ? eventDrafts(ingested, isFirst) : [];
      });
    });
  }

  /** Tells events that are in the index and were never told: this process died between the two, or the disk refused. */
  catchUp(): void {
    if (!this.#mustCatchUp) return;
    this.#mustCatchUp = false;
    try {
      for (const rows of this.#pages()) {
        const untold = rows.filter((row) => !this.#outbox.hasTold(toldOf(row)));
        for (const row of untold.reverse()) this.event({ row, trouble: row.trouble ?? null });
        if (untold.length === 0) return;
      }
    } catch (error) {
      this.#refused(error, 0);
    }
  }

  /** Tells minutes and hours that have ended since the last call. */
  trends(read: ReadTrend): void {
    const { clock } = this.#options;
    // The trends of the time before this process are still being made.
    if (clock.now_s() - this.#started_s < trendPatience_s) return;
    for (const level_s of publishedLevels_s) {
      const name = `trend ${level_s}`;
      this.#attempt(0, () => {
        const from_s = this.#outbox.mark(name);
        const round = trendRound(this.#channels, level_s, from_s, clock.wallNow_ms() / 1000, read);
        if (round.next_s !== from_s) this.#outbox.putUpTo(name, round.next_s, round.drafts);
      });
    }
  }

  views(): SinkView[] {
    const views = this.#tasks.map((task) => task.view());
    const fault = this.#tasks.find((task) => task.queueFault !== null)?.queueFault ?? null;
    this.#options.trouble('outbox unread', fault === null ? null : unread(fault));
    return views;
  }

  /** Newest first. Throws `BusyError` when the outbox cannot be read now. */
  deadLetters(limit: number): readonly DeadLetter[] {
    try {
      return this.#outbox.deadLetters(limit);
    } catch (error) {
      const { what, remedy } = unread(messageOf(error));
      throw new BusyError(`${what} ${remedy}`, retryAfter_s);
    }
  }

  /** Gives what is under way a moment; what waits stays on the disk. */
  async stop(): Promise<void> {
    this.#rollups.flush();
    await Promise.all(this.#tasks.map((task) => task.stop()));
    this.#outbox.close();
  }

  #newRollups({ config }: HelloMessage): SecondRollups {
    return new SecondRollups(config.channels, ({ at_ms, channels }) =>
      this.#put([{ at_ms, payload: { kind: 'summary', period_s: 1, channels } }], false),
    );
  }

  *#pages(): Generator<readonly EventRow[]> {
    for (let before: string | null = null; ; ) {
      const rows: readonly EventRow[] = this.#options.events(before, page);
      const last = rows.at(-1);
      if (last === undefined) return;
      before = last.id;
      yield rows;
    }
  }

  #put(drafts: readonly Draft[], isKept: boolean): void {
    if (drafts.length > 0) this.#attempt(drafts.length, () => this.#outbox.put(drafts, isKept));
  }

  #attempt(count: number, work: () => void): void {
    const { clock, trouble } = this.#options;
    try {
      work();
      trouble('outbox', null);
    } catch (error) {
      this.#refused(error, count);
      return;
    }
    this.#ages.mark(this.#outbox.head, clock.now_s());
    for (const task of this.#tasks) task.notify();
    this.#watchQuota();
  }

  /** Events are looked for again; `count` messages are lost. */
  #refused(error: unknown, count: number): void {
    this.counters.messagesUnqueued += count;
    this.#mustCatchUp = true;
    this.#options.trouble('outbox', {
      what: `The outbox cannot be used: ${withoutPaths(messageOf(error))}; ${this.counters.messagesUnqueued} messages lost so far.`,
      remedy: 'Check space and rights of the data folder. Events are safe and are published later.',
    });
  }

  #watchQuota(): void {
    const { messagesShed } = this.#outbox.counters;
    const { quota_bytes } = this.#options.publish;
    if (messagesShed > this.#shedSeen) {
      this.#shedSeen = messagesShed;
      this.#options.trouble('outbox full', {
        what: `The outbox is full: ${messagesShed} of the oldest messages were shed before every receiver had them.`,
        remedy: 'Bring the receiver back, raise publish.quota, or take it out of the rig file.',
      });
    } else if (this.#outbox.size_bytes < relaxed_ratio * quota_bytes) {
      this.#options.trouble('outbox full', null);
    }
  }

  /** Wall time at an instant of the recorder's clock, which all processes of the machine share. */
  #wallOf_ms(time_s: number): number {
    const { clock } = this.#options;
    return clock.wallNow_ms() + (time_s - clock.now_s()) * 1000;
  }
}

function unread(why: string): { readonly what: string; readonly remedy: string } {
  return {
    what: `The outbox cannot be read: ${withoutPaths(why)}.`,
    remedy: 'Check space, rights and disk of the data folder. Retrying.',
  };
}

async function noRing(): Promise<never> {
  throw new DataError('This station has no ring.');
}

function toldOf({ id, verdict }: EventRow): Told {
  return { event: id, revision: verdict?.revision ?? 0 };
}
