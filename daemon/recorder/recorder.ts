/** Puts the recorder together: lines, detection, events, and the server beside it. */

import { randomUUID } from 'node:crypto';
import { EventEmitter } from 'node:events';
import type { RigConfig } from '../../config/rig.ts';
import { type Clock, type ClockTimer, systemClock } from '../../drivers/clock.ts';
import type { Counters, Driver, RawBlock } from '../../drivers/driver.ts';
import type { LineSpec } from '../../drivers/line-spec.ts';
import { describe } from '../../drivers/registry.ts';
import { WallClock } from '../clock.ts';
import type { EventContent, TripSourceName } from '../store/event-folder.ts';
import { disk, type Files, messageOf } from '../store/files.ts';
import type { TripDeclaration } from '../store/trip-ledger.ts';
import { version } from '../version.ts';
import type { CalibrationKeeper } from './calibration-keeper.ts';
import { channelStatuses } from './channel-status.ts';
import { TripDetector } from './detect.ts';
import { DiskKeeper, diskStatus } from './disk-keeper.ts';
import { DiskRing } from './disk-ring.ts';
import { contentOf } from './event-content.ts';
import { EventIds } from './event-ids.ts';
import { EventWriter } from './event-writer.ts';
import { neededHistory_s } from './history.ts';
import { Line, logLink } from './line.ts';
import type { Log } from './log.ts';
import type {
  EventClosedMessage,
  HelloMessage,
  ReadyMessage,
  StatusMessage,
  TripMessage,
  UnboundMessage,
  VerdictMessage,
} from './messages.ts';
import { type EndedEvent, OpenEvents, slowestEnd_s } from './open-events.ts';
import { type Prepared, prepare } from './prepare.ts';
import { Recovery } from './recovery.ts';
import { pumpState, stoppedTooSoon_s } from './ring-replay.ts';
import { ServerLane } from './server-lane.ts';
import { phaseOf, TankForecast } from './status.ts';
import { type PeriodSummary, Summariser } from './summary.ts';

export interface RecorderOptions {
  /** Path of the server's module; null records without one. Injected: the recorder depends on nothing of the server. */
  readonly serverModule: string | null;
  readonly createDriver: (line: LineSpec) => Driver | Promise<Driver>;
  readonly log: Log;
  readonly files?: Files;
  /** The clock of everything in the recorder but its drivers, which must have the same; default: the machine's. */
  readonly clock?: Clock;
}

export interface RecorderEvents {
  /** The server listens. Comes again after each restart of it. */
  readonly ready: [ReadyMessage];
  readonly trip: [TripMessage];
  readonly 'event-closed': [EventClosedMessage];
  readonly verdict: [VerdictMessage];
  /** The dashboard cannot be served for now, and why; recording goes on. `ready` ends it. */
  readonly unbound: [UnboundMessage];
  /** The server cannot start; recording goes on and it is started again now and then. It has said why on standard error. */
  readonly 'server-unavailable': [];
}

/** A running recorder. Listeners must not throw. */
export interface Recorder {
  on<K extends keyof RecorderEvents>(name: K, listener: (...args: RecorderEvents[K]) => void): void;
  status(): StatusMessage;
  /** Ends in order: drivers, lines, open events as `truncated`, disk, server. A second call waits for the first. */
  stop(): Promise<void>;
}

const tick_ms = 50;
const statusPeriod_s = 0.5;
const anchorPeriod_s = 1;
/** Time to write what is left when stopping, in s. */
const flush_s = 5;
/** So many times without a recorder stand in the status; gaps.jsonl has all. */
const gapsTold = 20;

/**
 * Starts to record. Resolves when the lines have been started; an absent device is a line state, not an error.
 * Rejects with `UnavailableError` when another recorder has the data folder, `ConfigError` when a person has to mend it or a
 * calibration that was applied before reads otherwise now, `DataError` when the ledger of calibrations is damaged.
 */
export async function startRecorder(config: RigConfig, options: RecorderOptions): Promise<Recorder> {
  const clock = options.clock ?? systemClock;
  const prepared = await prepare(config, options.files ?? disk, options.log, clock);
  try {
    const drivers = await Promise.all(config.lines.map((line) => options.createDriver(line)));
    const recorder = new RunningRecorder(prepared, drivers, { ...options, clock, files: prepared.files });
    recorder.start();
    return recorder;
  } catch (error) {
    prepared.release();
    throw error;
  }
}

class RunningRecorder implements Recorder {
  private readonly calibrations: CalibrationKeeper;
  private readonly log: Log;
  private readonly emitter = new EventEmitter<{ [K in keyof RecorderEvents]: RecorderEvents[K] }>();
  private readonly boot = randomUUID();
  private readonly time: Clock;
  private readonly clock: WallClock;
  private readonly ids = new EventIds(Math.random());
  private readonly detector: TripDetector;
  private readonly summariser: Summariser;
  private readonly lines: readonly Line[];
  private readonly events: OpenEvents;
  private readonly writer: EventWriter;
  private readonly server: ServerLane;
  private readonly forecast: TankForecast | null;
  private readonly tankPlace: number;
  private readonly prepared: Prepared;
  private readonly ring: DiskRing;
  private readonly disk: DiskKeeper;
  private readonly recovery: Recovery;
  private timer: ClockTimer | null = null;
  private data_s = Number.NEGATIVE_INFINITY;
  private tripsDeclared = 0;
  private statusDue_s = 0;
  private anchorDue_s = 0;
  private phase = '';
  private withoutPage: string | null = null;
  private wasDriveOn: boolean | null = null;
  private stopping: Promise<void> | null = null;

  constructor(
    prepared: Prepared,
    drivers: readonly Driver[],
    options: RecorderOptions & { readonly files: Files; readonly clock: Clock },
  ) {
    const { config } = prepared.calibrations;
    this.prepared = prepared;
    this.calibrations = prepared.calibrations;
    this.log = options.log;
    this.time = options.clock;
    const { monotonic_s, wall_ms } = this.time;
    this.clock = new WallClock(monotonic_s, wall_ms);
    const groups = drivers.flatMap((driver) => driver.groups);
    this.detector = new TripDetector(config, groups, (source, time_s, seen_s) =>
      this.tripSeen(source, time_s, seen_s),
    );
    this.summariser = new Summariser(config.channels.length, groups.length, (summary) =>
      this.summarise(summary),
    );
    const needed_s = neededHistory_s(config.windows, this.detector.latest_s);
    const shared = {
      keep: (group: number, block: RawBlock) => this.ring.add(group, block),
      detector: this.detector,
      summariser: this.summariser,
      now_s: monotonic_s,
      onBlock: (end_s: number) => this.advance(end_s),
      onState: (line: Line) => this.lineChanged(line),
    };
    let first = 0;
    this.lines = drivers.map((driver, index) => {
      const line = new Line(config, config.lines[index], driver, first, needed_s, shared);
      first += driver.groups.length;
      return line;
    });
    this.ring = new DiskRing({
      config,
      boot: this.boot,
      groups: this.lines.flatMap((line) => line.groups.map(({ spec }) => spec)),
      anchor: () => this.clock.anchor,
      files: options.files,
      log: options.log,
      now_s: monotonic_s,
    });
    this.disk = new DiskKeeper(config, options.files, options.log, monotonic_s);
    this.events = new OpenEvents(
      config.windows,
      this.detector,
      () => slowestEnd_s(this.lines.flatMap(({ groups }) => groups.map(({ history }) => history.end_s))),
      (event) => this.close(event),
    );
    this.writer = new EventWriter({
      dataFolder: config.dataFolder,
      files: options.files,
      log: options.log,
      clock: this.time,
      onWritten: (content, folder, declared) => this.written(content, folder, declared),
    });
    this.recovery = new Recovery({
      dataFolder: config.dataFolder,
      boot: this.boot,
      files: options.files,
      log: options.log,
      clock: this.time,
      history: prepared.history,
      trips: prepared.trips,
      gaps: prepared.gaps,
      isLive: config.lines.some((line) => describe(line).isLive),
      wallAt_ms: (time_s) => this.clock.at_ms(time_s),
      pump: {
        isOn: () => pumpState(this.detector),
        hasTripped: () => this.tripsDeclared > 0,
        hasStoppedTooSoon: () => stoppedTooSoon_s(this.detector) !== null,
      },
      newId: (wall_ms) => this.ids.idAt(wall_ms),
      write: (content) => this.writer.add(content),
    });
    this.server = new ServerLane({
      module: options.serverModule,
      log: options.log,
      clock: this.time,
      hello: () => this.hello(),
      onMessage: (message) => this.hear(message),
      onUnavailable: () => {
        this.withoutPage = 'The server cannot start; the cause is on standard error.';
        this.emitter.emit('server-unavailable');
      },
    });
    const tank = config.trip.tank;
    this.tankPlace = config.channels.findIndex((channel) => channel.id === tank?.channel);
    this.forecast = tank?.setPoint_Pa == null ? null : new TankForecast(tank.setPoint_Pa);
  }

  private get config(): RigConfig {
    return this.calibrations.config;
  }

  start(): void {
    this.log.info(
      { rig: this.config.name, software: version, boot: this.boot, data: this.config.dataFolder },
      'recorder started',
    );
    this.server.start();
    for (const line of this.lines) line.driver.start(line);
    this.recovery.start();
    this.timer = this.time.setInterval(() => this.tick(), tick_ms);
  }

  on<K extends keyof RecorderEvents>(name: K, listener: (...args: RecorderEvents[K]) => void): void {
    this.emitter.on(name, listener as never);
  }

  status(): StatusMessage {
    const time_s = this.time.monotonic_s();
    const loops = this.lines.flatMap((line) => line.loops);
    const gaps = this.prepared.gaps.gaps.slice(-gapsTold);
    const channels = channelStatuses(this.config.channels, loops, this.clock.at_ms(time_s));
    return {
      kind: 'status',
      time_s,
      ...this.doing(time_s),
      lines: this.lines.map((line) => line.status),
      counters: this.counters(),
      ...diskStatus(this.disk, this.ring, this.writer),
      ...(channels.length === 0 ? {} : { channels }),
      ...(this.withoutPage === null ? {} : { withoutPage: this.withoutPage }),
      ...(gaps.length === 0 ? {} : { gaps }),
    };
  }

  stop(): Promise<void> {
    this.stopping ??= this.stopInOrder();
    return this.stopping;
  }

  private async stopInOrder(): Promise<void> {
    this.time.clear(this.timer);
    // A port that will not close must not cost the open event, nor the lock.
    await Promise.all(
      this.lines.map((line) =>
        line.driver.stop().catch((error: unknown) => {
          this.log.error({ line: line.id, why: messageOf(error) }, 'line did not close in order');
        }),
      ),
    );
    this.events.finish(this.data_s);
    const { trips, gaps } = this.prepared;
    await Promise.all([
      this.recovery.stop(),
      this.writer.finish(flush_s),
      this.ring.finish(),
      gaps.finish(flush_s),
    ]);
    await trips.finish(this.boot, this.time.wall_ms(), flush_s);
    await this.server.stop();
    this.prepared.release();
    this.log.info({ counters: this.counters() }, 'recorder stopped');
  }

  /** What the rig does now. */
  private doing(now_s: number): Pick<StatusMessage, 'phase' | 'tripIn_s'> {
    const isDriveOn = this.detector.isDriveOn;
    const tripIn_s = isDriveOn === false ? null : (this.forecast?.tripIn_s(now_s) ?? null);
    const links = this.lines.map(({ link }) => link);
    const trip_s = this.events.current?.trip_s ?? null;
    return {
      phase: phaseOf({ now_s, links, trip_s, isDriveOn, tripIn_s }),
      tripIn_s: trip_s === null ? tripIn_s : null,
    };
  }

  private counters(): Counters {
    return {
      tripsDeclared: this.tripsDeclared,
      aftershocksSeen: this.detector.aftershocksSeen,
      startSurgesSeen: this.detector.startSurgesSeen,
      samplesLate: this.summariser.samplesLate,
      ...this.prepared.counters,
      ...this.ring.counters,
      ...this.disk.counters,
      clockStepsSeen: this.clock.stepsSeen,
      ...this.calibrations.counters,
      ...this.writer.counters,
      ...this.recovery.counters,
      ...this.prepared.trips.counters,
      ...this.server.counters,
    };
  }

  /** A block has gone all the way. */
  private advance(end_s: number): void {
    if (end_s > this.data_s) this.data_s = end_s;
    this.recovery.sampled(end_s);
    this.events.update(this.data_s, Number.NEGATIVE_INFINITY);
  }

  private tick(): void {
    const now_s = this.time.monotonic_s();
    this.events.update(this.data_s, now_s);
    if (now_s >= this.anchorDue_s) {
      this.anchorDue_s = now_s + anchorPeriod_s;
      this.renewClock();
      this.recalibrate();
    }
    this.ring.tick(now_s);
    this.disk.tick(now_s, this.clock.at_ms(now_s));
    const { phase } = this.doing(now_s);
    if (now_s >= this.statusDue_s || phase !== this.phase) {
      this.statusDue_s = now_s + statusPeriod_s;
      this.phase = phase;
      this.server.status(this.status());
    }
    this.server.watch(now_s);
  }

  /** An event keeps one calibration from its first sample to its last. */
  private recalibrate(): void {
    if (!this.events.isIdle || !this.calibrations.renew(this.clock.anchor.wall_ms)) return;
    for (const line of this.lines) line.recalibrate(this.config);
    this.ring.renew(this.config);
    this.server.introduce();
  }

  private renewClock(): void {
    const step_ms = this.clock.renew();
    if (step_ms === 0) return;
    this.log.warn({ step_ms }, 'wall clock stepped; the records do not depend on it');
    this.ring.renew(this.config);
  }

  private lineChanged(line: Line): void {
    logLink(this.log, line);
    // A recording that is over brings no more blocks that could end its event.
    if (this.lines.every((each) => each.link.state === 'ended')) this.events.finish(this.data_s);
    this.statusDue_s = 0;
  }

  private summarise(summary: PeriodSummary): void {
    this.server.summary(summary);
    if (this.forecast === null) return;
    const isDriveOn = this.detector.isDriveOn;
    if (isDriveOn !== this.wasDriveOn) this.forecast.clear();
    this.wasDriveOn = isDriveOn;
    this.forecast.add(summary.time_s, summary.values[this.tankPlace * 4 + 3]);
  }

  private tripSeen(source: TripSourceName, time_s: number, seen_s: number): void {
    const declared_s = this.time.monotonic_s();
    // The clock may have been set since the last tick; the trip is to be called by the time on the wall.
    this.renewClock();
    const anchor = this.clock.anchor;
    const id = this.ids.idAt(this.clock.at_ms(time_s));
    this.tripsDeclared++;
    this.putOnRecord({ event: id, boot: this.boot, source, trip_s: time_s, seen_s, declared_s, anchor });
    this.ring.sync();
    this.events.begin({ id, source, trip_s: time_s, declared_s, anchor });
    const message: TripMessage = { kind: 'trip', event: id, source, time_s, declared_s };
    this.log.info({ event: id, source, time_s }, 'trip declared');
    this.server.hint(message);
    this.statusDue_s = 0;
    this.emitter.emit('trip', message);
  }

  /** Begins at once and is waited for by nobody: a slow disk must not hold up detection. */
  private putOnRecord(declaration: TripDeclaration): void {
    const { event, declared_s } = declaration;
    void this.prepared.trips.declared(declaration).then(() => {
      const durable_ms = Math.round(1e4 * (this.time.monotonic_s() - declared_s)) / 10;
      this.log.info({ event, durable_ms }, 'trip on record');
    });
  }

  private close(event: EndedEvent): void {
    this.writer.add(contentOf(event, this.lines, this.config, this.boot));
    this.statusDue_s = 0;
  }

  /** `declared` is the id that the trip was declared with. */
  private written(content: EventContent, folder: string, declared: string): void {
    const { id, closedBecause, rebuilt } = content.header;
    void this.prepared.trips.closed(declared, rebuilt === undefined ? 'written' : 'rebuilt');
    const message: EventClosedMessage = {
      kind: 'event-closed',
      event: id,
      folder,
      closed_s: this.time.monotonic_s(),
    };
    this.log.info({ event: id, closedBecause, folder }, 'event closed');
    this.server.hint(message);
    this.emitter.emit('event-closed', message);
  }

  private hello(): HelloMessage {
    return {
      kind: 'hello',
      config: this.config,
      software: version,
      boot: this.boot,
      anchor: this.clock.anchor,
    };
  }

  private hear(message: ReadyMessage | UnboundMessage | VerdictMessage): void {
    switch (message.kind) {
      case 'ready':
        this.withoutPage = null;
        this.emitter.emit('ready', message);
        return;
      case 'unbound':
        this.withoutPage = message.why;
        this.log.warn({ why: message.why }, 'dashboard not served yet; recording goes on');
        this.emitter.emit('unbound', message);
        return;
      case 'verdict':
        this.emitter.emit('verdict', message);
    }
  }
}
