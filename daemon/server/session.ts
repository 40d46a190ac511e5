/** One recorder's messages turned into pages, verdicts and answers. Knows nothing of processes, so tests can drive it. */

import type { FastifyInstance } from 'fastify';
import { usualDisk } from '../../config/disk.ts';
import { isLoopbackHost } from '../../config/rig.ts';
import { type Clock, type ClockTimer, systemClock } from '../../drivers/clock.ts';
import { DataError } from '../errors.ts';
import type { Publisher, PublisherOptions } from '../publish/publisher.ts';
import type { HelloMessage, ToRecorder, ToServer, TripMessage } from '../recorder/messages.ts';
import { oneAtATime } from '../store/capture-limits.ts';
import type { Capture } from '../store/capture-request.ts';
import { captureWindow, newestWindow } from '../store/capture-window.ts';
import { isRefusedByDisk } from '../store/damaged-database.ts';
import type { Unjudged } from '../store/event-index.ts';
import { messageOf } from '../store/files.ts';
import type { openTrends, Trends } from '../trends/trends.ts';
import { createServer } from '../web/app.ts';
import { LiveHub } from '../web/live.ts';
import { slimRow } from '../web/views.ts';
import { withoutPaths } from '../without-paths.ts';
import { Binding } from './binding.ts';
import type { EventStore } from './event-store.ts';
import { KeptWindows } from './kept-windows.ts';
import { RigState } from './rig-state.ts';
import type { ServerLock, takeServerLock } from './server-lock.ts';
import { tellDamage, tellUnjudged } from './store-troubles.ts';
import type { Ingested } from './take-in.ts';

/** Folders whose hint was lost are found this often, in ms. */
const scanInterval_ms = 10_000;
/** While the recorder is silent its silence is told this often, in ms. */
const silenceInterval_ms = 1_000;
/** A disk that took nothing is tried again this often, in ms. */
const lookAgain_ms = 5_000;

export interface SessionOptions {
  /** Makes the store once the recorder has said where its data lies; `isVolatile`: with its index in memory alone. */
  readonly openStore: (hello: HelloMessage, isVolatile: boolean) => EventStore;
  /** Ends this server so that it is started again; without it a disk that takes data again is not used. */
  readonly startAnew?: () => void;
  /** Ends an orphaned server of the data folder and takes its lock; without it there is none. */
  readonly takeLock?: typeof takeServerLock;
  /** Makes what sends messages to receivers outside; called only where the rig file wants it. */
  readonly openPublisher?: (
    options: Pick<PublisherOptions, 'publish' | 'hello' | 'events' | 'capture' | 'trouble' | 'log'>,
  ) => Publisher;
  /** Opens the trends of a data folder; without it there are none. */
  readonly openTrends?: typeof openTrends;
  readonly answer: (message: ToRecorder) => void;
  readonly dashboardFolder: string | null;
  /** Default: the machine's. */
  readonly clock?: Clock;
  /** Something that a person who looks after the server should read. */
  readonly log: (text: string) => void;
}

/**
 * The first hello opens store and port; all messages before it are ignored. A later hello (a reloaded configuration)
 * replaces what is shown of the rig and keeps store and port.
 */
export class ServerSession {
  readonly hub = new LiveHub();
  readonly state: RigState;
  readonly #clock: Clock;
  #options: SessionOptions;
  #store: EventStore | null = null;
  #app: FastifyInstance | null = null;
  #binding: Binding | null = null;
  #lock: ServerLock | null = null;
  #publisher: Publisher | null = null;
  #trends: Trends | null = null;
  #timers: ClockTimer[] = [];
  #boot = '';
  #newest: HelloMessage | null = null;
  #isOpened = false;
  /** Trips that come before the publisher is there: ending an orphan takes seconds. Null from then on. */
  #early: TripMessage[] | null = [];
  readonly #kept = new KeptWindows();
  #isScanning = false;
  #isStopped = false;
  #lookAgain: ClockTimer | null = null;

  constructor(options: SessionOptions) {
    this.#options = options;
    this.#clock = options.clock ?? systemClock;
    this.state = new RigState(this.#clock.wall_ms);
  }

  /** Rejects only when the first hello cannot be served: no database. A port in use is tried again. */
  async receive(message: ToServer): Promise<void> {
    switch (message.kind) {
      case 'hello':
        await this.#hello(message);
        return;
      case 'summary':
        this.hub.summary(message);
        this.state.summarised(message);
        this.#publisher?.summary(message);
        this.#options.answer({ kind: 'credit', count: 1 });
        return;
      case 'status':
        this.state.status(message);
        this.#tellState();
        this.#options.answer({ kind: 'credit', count: 1 });
        return;
      case 'trip': {
        const { event, source, time_s } = message;
        this.hub.message({ kind: 'trip', event, source, time_s });
        this.#kept.opened(event, this.#clock.wall_ms());
        if (this.#isOpened) this.#early?.push(message);
        this.#publisher?.trip(message);
        return;
      }
      case 'event-closed':
        await this.#judge(message.event);
        this.#kept.closed(message.event);
        this.#releaseKept();
        return;
    }
  }

  async stop(): Promise<void> {
    this.#isStopped = true;
    for (const timer of [...this.#timers, this.#lookAgain]) this.#clock.clear(timer);
    this.hub.closeAll('the server stops');
    this.#binding?.stop();
    await this.#app?.close();
    await this.#publisher?.stop();
    await this.#trends?.close();
    await this.#store?.close();
    await this.#lock?.release();
  }

  async #hello(hello: HelloMessage): Promise<void> {
    if (hello.boot !== this.#boot) this.hub.clearHistory();
    this.#boot = hello.boot;
    this.state.hello(hello);
    this.#newest = hello;
    if (this.#isOpened) {
      this.#publisher?.hello(hello);
      return;
    }
    this.#isOpened = true;
    const { dashboardFolder } = this.#options;
    const { host } = hello.config.server;
    // First of all: an orphan may hold the databases too.
    this.#lock = (await this.#options.takeLock?.(hello.config.dataFolder, this.#options.log)) ?? null;
    const store = this.#openStore(hello);
    this.#store = store;
    if (typeof store.setAside === 'string') this.#setAside('index', store.setAside);
    const capture: Capture = oneAtATime(async (wanted) => {
      const { dataFolder } = hello.config;
      const window = 'last_s' in wanted ? await newestWindow(dataFolder, wanted.last_s * 1000) : wanted;
      const { id } = await captureWindow(dataFolder, window);
      const trouble = await this.#judge(id);
      return { event: id, trouble: trouble === null ? null : withoutPaths(trouble) };
    });
    this.#publisher = this.#openPublisher(hello, store, (wanted) =>
      capture(wanted).catch((error: unknown) => {
        // A receiver outside has no business with where the data lies.
        throw new DataError(withoutPaths(messageOf(error)), { cause: error });
      }),
    );
    // Another may have come meanwhile, as trips may.
    if (this.#newest !== hello) this.#publisher?.hello(this.#newest);
    for (const trip of this.#early ?? []) this.#publisher?.trip(trip);
    this.#early = null;
    this.#trends = this.#openTrends(hello);
    const app = await createServer({
      clock: this.#clock,
      library: store,
      state: this.state,
      hub: this.hub,
      host,
      dashboardFolder,
      trends: this.#trends,
      capture,
      log: this.#options.log,
    });
    this.#app = app;
    await this.#bind(app, hello);
    this.#publisher?.start();
    this.#timers = [
      this.#clock.setInterval(() => void this.#scan(), scanInterval_ms),
      this.#clock.setInterval(() => this.#tellSilence(), silenceInterval_ms),
    ];
    await this.#scan();
  }

  /** A disk that takes nothing costs the verdicts, never the live pages. Once it takes data the whole server starts anew. */
  #openStore(hello: HelloMessage): EventStore {
    const { log, openStore, startAnew } = this.#options;
    try {
      return openStore(hello, false);
    } catch (error) {
      if (!isRefusedByDisk(error)) throw error;
      const why = error instanceof Error ? error.message : String(error);
      log(`the disk refuses the index: ${why}; pages and detection go on in memory`);
      this.state.troubles.raise(
        'volatile',
        `IN MEMORY ONLY: the data folder cannot be written (${withoutPaths(why)}).`,
        'Live view and detection go on; a stop loses what waits in memory. Make room on the disk: everything is then written automatically.',
        this.#clock.wall_ms(),
      );
    }
    const look = this.#clock.setInterval(() => {
      try {
        openStore(hello, false)
          .close()
          .then(startAnew, () => undefined);
      } catch (error) {
        if (!isRefusedByDisk(error)) throw error;
        return;
      }
      this.#clock.clear(look);
      log('the data folder can be written again: the server restarts');
    }, lookAgain_ms);
    this.#lookAgain = look;
    return openStore(hello, true);
  }

  /** An address that cannot be had costs the pages, never the verdicts nor what is published. */
  async #bind(app: FastifyInstance, { config }: HelloMessage): Promise<void> {
    const { host, port } = config.server;
    const { answer, log } = this.#options;
    const { troubles } = this.state;
    this.#binding = new Binding({
      clock: this.#clock,
      app,
      host,
      port,
      onBound: (bound) => {
        troubles.clear('page');
        if (!isLoopbackHost(host))
          log(`OPEN NETWORK: whoever reaches ${host}:${bound} reads everything; there are no users`);
        answer({ kind: 'ready', host, port: bound });
      },
      onRefused: (why) => {
        troubles.clear('page');
        troubles.raise('page', 'The pages cannot be served.', `${why} Retrying.`, this.#clock.wall_ms());
        answer({ kind: 'unbound', host, port, why });
      },
    });
    await this.#binding.start();
  }

  #setAside(what: 'index' | 'trends', path: string): void {
    this.#options.log(`a database was damaged and is rebuilt; the old one is ${path}`);
    tellDamage(this.state.troubles, what, path, this.#clock.wall_ms());
  }

  /** Trends that cannot be had cost the trends, never the pages. */
  #openTrends({ boot, config }: HelloMessage): Trends | null {
    const tell = (error: unknown): void => {
      if (error === null) {
        this.state.troubles.clear('trends');
        return;
      }
      const why = messageOf(error);
      this.#options.log(`the trends do not keep up: ${why}`);
      this.state.troubles.raise(
        'trends',
        `The trends do not keep up: ${withoutPaths(why)}.`,
        'Check space and rights of the data folder; what is missing is filled from the disk ring later. A damaged trends.db is set ' +
          'aside and rebuilt.',
        this.#clock.wall_ms(),
      );
    };
    try {
      const onSetAside = (path: string) => this.#setAside('trends', path);
      return this.#options.openTrends?.(config.dataFolder, boot, tell, onSetAside) ?? null;
    } catch (error) {
      tell(error);
      return null;
    }
  }

  /** A queue that cannot be had costs the publishing, never the pages. */
  #openPublisher(hello: HelloMessage, store: EventStore, capture: Capture): Publisher | null {
    const { publish } = hello.config;
    const { openPublisher, log } = this.#options;
    if (publish === undefined || openPublisher === undefined) return null;
    const { troubles } = this.state;
    try {
      const publisher = openPublisher({
        publish,
        hello,
        events: (before, limit) => store.list({ before, limit }),
        capture,
        trouble: (key, text) =>
          text === null
            ? troubles.clear(key)
            : troubles.raise(key, text.what, text.remedy, this.#clock.wall_ms()),
        log,
      });
      this.state.receivers = publisher;
      return publisher;
    } catch (error) {
      const why = messageOf(error);
      log(`nothing is published: ${why}`);
      troubles.raise(
        'outbox',
        `Nothing is published: ${withoutPaths(why)}.`,
        'Check space and rights of the data folder, then restart.',
        this.#clock.wall_ms(),
      );
      return null;
    }
  }

  /** Why the event has no verdict yet; null when its verdict is there. */
  async #judge(event: string): Promise<string | null> {
    this.state.analysing(event, true);
    this.#tellState();
    let trouble: string | null = 'The event store could not be used.';
    try {
      await this.#attempt(event, async (store) => {
        const ingested = await store.ingest(event);
        if (ingested !== null) this.#publish(ingested);
        if (ingested !== null) trouble = ingested.file === null ? (ingested.trouble ?? trouble) : null;
      });
    } finally {
      this.state.analysing(event, false);
      this.#tellUnjudged();
      this.#tellState();
    }
    this.#releaseKept();
    return trouble;
  }

  /** Minutes where an index of years is made anew. */
  async #scan(): Promise<void> {
    if (this.#isScanning) return;
    this.#isScanning = true;
    await this.#attempt('the event folders', async (store) => {
      await store.scan((ingested) => this.#publish(ingested));
      if (this.#isStopped) return;
      const gone = await store.keepTraces(this.state.config?.disk ?? usualDisk, this.#clock.wall_ms());
      if (gone.length > 0) this.#options.log(`traces of ${gone.length} accepted events removed`);
    });
    this.#isScanning = false;
    if (this.#isStopped) return;
    this.#tellUnjudged();
    this.#releaseKept();
    this.#publisher?.catchUp();
    const trends = this.#trends?.store;
    if (trends !== undefined) this.#publisher?.trends((...wanted) => trends.read(...wanted));
  }

  /** A failing disk is shown and tried again at the next scan; the live pages go on. */
  async #attempt(what: string, work: (store: EventStore) => Promise<void>): Promise<void> {
    if (this.#store === null) return;
    try {
      await work(this.#store);
      this.state.troubles.clear('store');
    } catch (error) {
      const why = messageOf(error);
      this.#options.log(`could not take in ${what}: ${why}`);
      this.state.troubles.raise(
        'store',
        `The server cannot read or write the event store: ${withoutPaths(why)}.`,
        'Check space and rights of the data folder. Retrying.',
        this.#clock.wall_ms(),
      );
    }
  }

  /** Events that are recorded and not judged stand among the troubles for as long as there are any. */
  #tellUnjudged(): void {
    const { troubles } = this.state;
    let unjudged: Unjudged[] = [];
    try {
      if (!this.#isStopped) unjudged = this.#store?.unjudged() ?? [];
    } catch (error) {
      // An index that cannot be read stands among the troubles by what was asked of it before.
      this.#options.log(`the events without a verdict are not known: ${String(error)}`);
      return;
    }
    tellUnjudged(troubles, unjudged, this.#clock.wall_ms());
  }

  #publish(ingested: Ingested): void {
    const { row, trouble, alsoChanged = [] } = ingested;
    if (trouble !== null) this.#options.log(`event ${row.id}: ${trouble}`);
    if (!this.#kept.hold(ingested)) this.#tellEvent(ingested);
    for (const changed of alsoChanged) {
      if (!this.#kept.changed(changed)) this.hub.message({ kind: 'event', event: slimRow(changed) });
    }
  }

  /** To be called when a record or a scan has come to its end: windows are then linked as they will stay. */
  #releaseKept(): void {
    if (this.#isScanning) return;
    for (const ingested of this.#kept.release(this.#clock.wall_ms())) this.#tellEvent(ingested);
  }

  #tellEvent(ingested: Ingested): void {
    const { row, folder, file, isNew } = ingested;
    this.hub.message({ kind: 'event', event: slimRow(row) });
    this.#publisher?.event(ingested);
    const isTrip = row.sameTripAs === undefined;
    if (isNew && isTrip && file !== null)
      this.#options.answer({ kind: 'verdict', event: row.id, folder, file });
  }

  #tellState(): void {
    const status = this.state.view(this.hub.counters);
    this.#publisher?.status(status);
    this.hub.message({ kind: 'status', status });
  }

  #tellSilence(): void {
    if (this.state.view(this.hub.counters).phase === 'recorder-gone') this.#tellState();
  }
}
