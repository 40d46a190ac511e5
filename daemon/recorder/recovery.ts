/**
 * Makes good at the start what the run before left undone, beside the recording: says from when to when no recorder ran,
 * rebuilds the event of every declared trip that has none, and names the trips whose samples cannot be had any more.
 */
import type { Clock } from '../../drivers/clock.ts';
import type { Counters } from '../../drivers/driver.ts';
import { wallAt_ms } from '../clock.ts';
import {
  type EventContent,
  type EventHeader,
  eventFolder,
  keepEventName,
  listEvents,
  nextEventId,
  type Rebuilt,
  readEventHeader,
  wallOfId_ms,
} from '../store/event-folder.ts';
import { type Files, isDiskFault, isMissing, messageOf } from '../store/files.ts';
import type { DownTime, GapLedger } from '../store/gap-ledger.ts';
import type { TripDeclaration, TripHistory, TripLedger } from '../store/trip-ledger.ts';
import { type FirstSamples, type FormerRun, formerRuns } from './former-run.ts';
import type { Log } from './log.ts';
import { rebuildEvent } from './rebuild-event.ts';

/** A rig that delivers nothing holds the rebuilding up for so long, in s. */
const firstSample_s = 5;
/** The pump is watched for so long after the first sample, in s; then its state is not known. */
const pumpKnown_s = 10;
/** Before that the detection of a run need not know enough to declare a trip, in s after its first sample. */
const ready_s = 1.5;
const look_s = 0.05;
/** A disk that refuses is asked again after so long, in s. */
const retry_s = 10;
/** A trip so shortly before the last durable sample is the stop that the next run finds, in s. */
const sameStop_s = 0.2;
/** Two instants of one trip lie so near to each other, in s: its first sign may have been a pressure. */
const sameTrip_s = 2;
/** An id that is taken is followed by so many others, at most. */
const mostNames = 50;

/** This run's detection. */
export interface PumpNow {
  /** Null while nothing is known. */
  readonly isOn: () => boolean | null;
  readonly hasTripped: () => boolean;
  /** Whether a contact or switch has stopped too soon after the first sample to be a trip. */
  readonly hasStoppedTooSoon: () => boolean;
}

export interface RecoveryOptions {
  readonly dataFolder: string;
  readonly boot: string;
  readonly files: Files;
  readonly log: Log;
  readonly clock: Clock;
  readonly history: TripHistory;
  readonly trips: TripLedger;
  readonly gaps: GapLedger;
  /** A rig that plays recordings is not watched: a time without a recorder means nothing there. */
  readonly isLive: boolean;
  /** Wall clock of this run at a monotonic instant, in ms. */
  readonly wallAt_ms: (time_s: number) => number;
  readonly pump: PumpNow;
  /** Id of an event at a wall time, in ms. */
  readonly newId: (wall_ms: number) => string;
  /** Writes an event like any other. */
  readonly write: (content: EventContent) => void;
}

export class Recovery {
  readonly counters = {
    /** Events made from the ring because the run that declared the trip had died. */
    tripsRebuilt: 0,
    /** Declared trips whose samples cannot be had any more. */
    tripsLost: 0,
    /** Trips that fell into the time without a recorder: the pump ran before it and stood after it. */
    tripsUnrecorded: 0,
  } satisfies Counters;
  readonly #options: RecoveryOptions;
  readonly #stop = new AbortController();
  #first_s: number | null = null;
  /** This run has seen the pump run. */
  #wasOn = false;
  /** When this run saw it stop before it was ready to declare a trip, in s. */
  #stopped_s: number | null = null;
  #running: Promise<void> = Promise.resolve();

  constructor(options: RecoveryOptions) {
    this.#options = options;
  }

  /** `isPumpOn` and `write` may be called from now on. */
  start(): void {
    this.#running = this.#run().catch((error: unknown) => {
      // What cannot be read of the run before is no reason to stop recording.
      if (!this.#stop.signal.aborted)
        this.#options.log.error({ why: messageOf(error) }, 'run before not made good');
    });
  }

  /** A block has gone all the way; `time_s` is its end. Cheap but in the first moments. */
  sampled(time_s: number): void {
    this.#first_s ??= time_s;
    if (time_s > this.#first_s + ready_s || this.#stopped_s !== null) return;
    const { isOn, hasTripped, hasStoppedTooSoon } = this.#options.pump;
    const isOnNow = isOn();
    const hasStopped = isOnNow === false && (this.#wasOn || hasStoppedTooSoon());
    if (hasStopped && !hasTripped()) this.#stopped_s = time_s;
    this.#wasOn ||= isOnNow === true;
  }

  /** Resolves when nothing is under way. What is left undone is the next start's. */
  async stop(): Promise<void> {
    this.#stop.abort();
    await this.#running;
  }

  async #run(): Promise<void> {
    const { dataFolder, boot, files, isLive, history, gaps } = this.#options;
    const stated = new Set(gaps.gaps.flatMap((gap) => (gap.kind === 'no-recorder' ? [gap.after] : [])));
    const runs = isLive ? await this.#patiently(() => formerRuns(dataFolder, boot, stated, files)) : [];
    const [former = null] = runs;
    const owed = [...history.owed];
    // First what is owed, then the time without a recorder: a run whose end is stated has been looked through.
    for (const run of runs) owed.push(...(await this.#patiently(() => this.#undeclared(run))));
    for (const run of runs) if (run.next !== null) await this.#state(this.#downTime(run, run.next));
    const isSampled = () => this.#first_s !== null;
    let down: DownTime | null = null;
    if (await this.#until(isSampled, firstSample_s)) down = await this.#stateOwn(former);
    if (former !== null && down !== null) await this.#watchPump(former, down);
    for (const trip of owed) await this.#makeGoodOrName(trip);
    if (former === null || down !== null) return;
    await this.#until(isSampled, Number.POSITIVE_INFINITY);
    down = await this.#stateOwn(former);
    if (down !== null) await this.#watchPump(former, down);
  }

  /** The run before may have been killed between a stop of the pump and the word of it on the disk, or had no room for it. */
  async #undeclared({ boot, stop }: FormerRun): Promise<readonly TripDeclaration[]> {
    const { history, trips, newId } = this.#options;
    if (stop === null) return [];
    const isSame = (run: string, trip_s: number) =>
      run === boot && Math.abs(trip_s - stop.trip_s) < sameTrip_s;
    if (history.declared.some((trip) => isSame(trip.boot, trip.trip_s))) return [];
    const wall_ms = wallAt_ms(stop.anchor, stop.trip_s);
    // An older version had no ledger; its event may be there all the same.
    for (const header of await this.#eventsNear(wall_ms))
      if (isSame(header.boot, header.trip.time_s)) return [];
    const event = newId(wall_ms);
    const found = { event, boot, ...stop, declared_s: stop.seen_s };
    await this.#onMedium(trips.declared(found));
    return [found];
  }

  async #eventsNear(wall_ms: number): Promise<readonly EventHeader[]> {
    const { dataFolder, files } = this.#options;
    const found: EventHeader[] = [];
    for (const id of await listEvents(dataFolder, files)) {
      if (Math.abs(wallOfId_ms(id) - wall_ms) > 1000 * (sameTrip_s + 1)) continue;
      try {
        found.push(await readEventHeader(eventFolder(dataFolder, id), files));
      } catch (error) {
        if (isDiskFault(error)) throw error;
      }
    }
    return found;
  }

  /** From the end of the run before to the first sample of this one. */
  async #stateOwn(former: FormerRun | null): Promise<DownTime | null> {
    if (former === null) return null;
    const { wallAt_ms: wallOf, pump } = this.#options;
    // A stop that this run has declared is no stop of before.
    const isPumpOn = pump.hasTripped() ? true : pump.isOn();
    const first_ms = wallOf(this.#first_s ?? 0);
    const tooSoon_ms = this.#stopped_s === null ? null : wallOf(this.#stopped_s);
    const down = this.#downTime(former, { first_ms, isPumpOn, tooSoon_ms });
    await this.#state(down);
    return down;
  }

  /** Ends with the stop that came too soon: later than the first sample, but before it could have been recorded. */
  #downTime(run: FormerRun, { first_ms, isPumpOn, tooSoon_ms }: FirstSamples): DownTime {
    return {
      kind: 'no-recorder',
      after: run.boot,
      from_ms: run.end_ms,
      to_ms: tooSoon_ms ?? first_ms,
      isClean: this.#options.history.stopped.has(run.boot),
      pump: tooSoon_ms === null ? this.#pump(run, isPumpOn) : 'stopped',
    };
  }

  #pump(run: FormerRun, isOnAfter: boolean | null): DownTime['pump'] {
    if (run.isPumpOn === null || isOnAfter === null) return 'unknown';
    if (!run.isPumpOn || this.#isDeclared(run)) return 'at-rest';
    return isOnAfter ? 'running' : 'stopped';
  }

  /** A pump may stop before this run is ready to declare its trip, and the first samples may be of another line than the contact's. */
  async #watchPump(former: FormerRun, down: DownTime): Promise<void> {
    if (down.pump === 'stopped') return;
    const { isOn, hasTripped } = this.#options.pump;
    await this.#until(() => this.#stopped_s !== null, ready_s);
    if (this.#stopped_s !== null) {
      const tooSoon_ms = this.#options.wallAt_ms(this.#stopped_s);
      await this.#state({ ...down, pump: 'stopped', to_ms: tooSoon_ms });
      return;
    }
    if (down.pump !== 'unknown' || former.isPumpOn === null) return;
    await this.#until(() => isOn() !== null, pumpKnown_s);
    const pump = this.#pump(former, hasTripped() ? true : isOn());
    if (pump !== 'unknown') await this.#state({ ...down, pump });
  }

  async #state(down: DownTime): Promise<void> {
    const { log, gaps } = this.#options;
    const { from_ms, to_ms, isClean, pump } = down;
    const spoken = {
      from: new Date(from_ms).toISOString(),
      to: new Date(to_ms).toISOString(),
      isClean,
      pump,
    };
    if (pump === 'stopped') {
      this.counters.tripsUnrecorded++;
      log.error(spoken, 'pump stopped while no recorder ran');
    } else log.warn(spoken, 'no recorder ran');
    await this.#onMedium(gaps.add(down));
  }

  /** The ring may end before the samples of a trip that is on record all the same. */
  #isDeclared({ boot, end_s }: FormerRun): boolean {
    return this.#options.history.declared.some(
      (trip) => trip.boot === boot && trip.trip_s > end_s - sameStop_s,
    );
  }

  /** A trip that cannot be rebuilt stays owed, so that a later version may do it; till then it is named as lost. */
  async #makeGoodOrName(trip: TripDeclaration): Promise<void> {
    try {
      await this.#patiently(() => this.#makeGood(trip));
    } catch (error) {
      if (this.#stop.signal.aborted) throw error;
      await this.#lose(trip, `Its event cannot be rebuilt: ${messageOf(error)}.`);
    }
  }

  async #makeGood(trip: TripDeclaration): Promise<void> {
    const { dataFolder, files, log, trips, history, write } = this.#options;
    const there = await this.#written(trip);
    if (there !== null) {
      // Its writer may have been killed before the name was made to last.
      await keepEventName(dataFolder, there, files);
      log.info({ event: trip.event, folder: there }, 'declared trip was written');
      await this.#onMedium(trips.closed(trip.event, 'written'));
      return;
    }
    const later = history.declared.filter(({ boot, trip_s }) => boot === trip.boot && trip_s > trip.trip_s);
    const content = await rebuildEvent(
      dataFolder,
      {
        trip,
        next_s: Math.min(Number.POSITIVE_INFINITY, ...later.map(({ trip_s }) => trip_s)),
        noRecorder: this.#downAfter(trip.boot),
        now_ms: this.#options.clock.wall_ms(),
      },
      files,
    );
    this.#stop.signal.throwIfAborted();
    if (content !== null) {
      this.counters.tripsRebuilt++;
      log.warn(
        { event: trip.event, missing: content.header.rebuilt?.missing },
        'event rebuilt from the ring',
      );
      write(content);
      return;
    }
    await this.#lose(
      trip,
      'The recorder ended before the event was written, and the disk ring has no samples of it.',
    );
    await this.#onMedium(trips.closed(trip.event, 'lost'));
  }

  async #lose({ event, source, anchor, trip_s }: TripDeclaration, why: string): Promise<void> {
    const { log, gaps } = this.#options;
    this.counters.tripsLost++;
    log.error({ event, source, why }, 'declared trip lost');
    const at_ms = wallAt_ms(anchor, trip_s);
    await this.#onMedium(gaps.add({ kind: 'trip-lost', event, source, at_ms, why }));
  }

  #downAfter(boot: string): Rebuilt['noRecorder'] {
    const down = this.#options.gaps.gaps.find((gap) => gap.kind === 'no-recorder' && gap.after === boot);
    return down?.kind === 'no-recorder' ? { from_ms: down.from_ms, to_ms: down.to_ms } : null;
  }

  /** The folder of this trip, which may have been given another name; null when there is none. */
  async #written({ event, boot, declared_s }: TripDeclaration): Promise<string | null> {
    const { dataFolder, files } = this.#options;
    let id = event;
    for (let name = 0; name < mostNames; name++, id = nextEventId(id)) {
      const folder = eventFolder(dataFolder, id);
      try {
        await files.read(`${folder}/event.json`);
      } catch (error) {
        if (isMissing(error)) return null;
        throw error;
      }
      try {
        const header = await readEventHeader(folder, files);
        if (header.boot === boot && header.trip.declared_s === declared_s) return folder;
      } catch (error) {
        if (isDiskFault(error)) throw error;
        // A damaged folder keeps its name; the event goes beside it.
      }
    }
    return null;
  }

  /** A disk that refuses is asked again until it answers or the recorder stops; other errors are the caller's. */
  async #patiently<T>(work: () => Promise<T>): Promise<T> {
    for (;;) {
      try {
        return await work();
      } catch (error) {
        if (!isDiskFault(error)) throw error;
        this.#options.log.error({ why: messageOf(error) }, 'run before not read yet, will be tried again');
        await this.#wait(retry_s);
      }
    }
  }

  /** Rejects when the recorder stops: a full disk must not hold that up. The ledger writes the line, or counts it as given up. */
  async #onMedium(line: Promise<void>): Promise<void> {
    const { signal } = this.#stop;
    const stopped = Promise.withResolvers<void>();
    const stop = () => stopped.resolve();
    signal.addEventListener('abort', stop);
    if (!signal.aborted) await Promise.race([line, stopped.promise]);
    signal.removeEventListener('abort', stop);
    signal.throwIfAborted();
  }

  /** Rejects when the recorder stops. */
  async #wait(time_s: number): Promise<void> {
    await this.#options.clock.sleep(time_s, this.#stop.signal);
    this.#stop.signal.throwIfAborted();
  }

  /** True when it has become so; false when the time is over. Rejects when the recorder stops. */
  async #until(isSo: () => boolean, most_s: number): Promise<boolean> {
    for (let waited_s = 0; waited_s <= most_s; waited_s += look_s) {
      if (isSo()) return true;
      await this.#wait(look_s);
    }
    return false;
  }
}
