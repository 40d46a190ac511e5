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
  listEvents,
  readEventHeader,
  wallOfId_ms,
} from '../store/event-folder.ts';
import { type Files, isDiskFault, messageOf } from '../store/files.ts';
import type { GapLedger } from '../store/gap-ledger.ts';
import { readTrips, type TripDeclaration, type TripHistory, type TripLedger } from '../store/trip-ledger.ts';
import { DownTimes, type PumpNow } from './down-times.ts';
import { type FormerRun, formerRuns } from './former-run.ts';
import type { Log } from './log.ts';
import { OwedTrips } from './owed-trips.ts';
import { Patience } from './patience.ts';

/** Two instants of one trip lie so near to each other, in s: its first sign may have been a pressure. */
const sameTrip_s = 2;
/** A ledger that could not be read is asked for so often before the rest is done without it. */
const ledgerTries = 6;

export interface RecoveryOptions {
  readonly dataFolder: string;
  readonly boot: string;
  readonly files: Files;
  readonly log: Log;
  readonly clock: Clock;
  /** Null: the ledger could not be read at the start. */
  readonly history: TripHistory | null;
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
  readonly #options: RecoveryOptions;
  readonly #patience: Patience;
  readonly #downTimes: DownTimes;
  readonly #owedTrips: OwedTrips;
  /** Declared by earlier runs and not closed; the stops that are found in the ring among them. */
  #owed: TripDeclaration[] = [];
  #declared: TripDeclaration[] = [];
  #running: Promise<void> = Promise.resolve();

  constructor(options: RecoveryOptions) {
    this.#options = options;
    this.#patience = new Patience(options.clock, options.log);
    this.#downTimes = new DownTimes(options, this.#patience);
    this.#owedTrips = new OwedTrips(options, this.#patience);
  }

  get counters() {
    const { tripsRebuilt, tripsLost } = this.#owedTrips.counters;
    return {
      /** Events made from the ring because the run that declared the trip had died. */
      tripsRebuilt,
      /** Declared trips whose samples cannot be had any more. */
      tripsLost,
      /** Trips that fell into the time without a recorder: the pump ran before it and stood after it. */
      tripsUnrecorded: this.#downTimes.counters.tripsUnrecorded,
    } satisfies Counters;
  }

  /** `isPumpOn` and `write` may be called from now on. */
  start(): void {
    this.#running = this.#run().catch((error: unknown) => {
      // What cannot be read of the run before is no reason to stop recording.
      if (!this.#patience.signal.aborted)
        this.#options.log.error({ why: messageOf(error) }, 'run before not made good');
    });
  }

  /** A block has gone all the way; `time_s` is its end. */
  sampled(time_s: number): void {
    this.#downTimes.sampled(time_s);
  }

  /** Resolves when nothing is under way. What is left undone is the next start's. */
  async stop(): Promise<void> {
    this.#patience.stop();
    await this.#running;
  }

  async #run(): Promise<void> {
    const history = await this.#readHistory();
    this.#downTimes.history = history;
    this.#owed = [...(history?.owed ?? [])];
    this.#declared = [...(history?.declared ?? [])];
    const runs = this.#options.isLive ? await this.#formerRuns() : [];
    const [former = null] = runs;
    // First what is owed, then the time without a recorder: a run whose end is stated has been looked through.
    for (const run of runs) this.#downTimes.stateEarlier(run);
    const isStated = await this.#downTimes.stateOwn(former, false);
    await this.#makeGood();
    const stated = isStated || former === null ? null : this.#downTimes.stateOwn(former, true);
    await Promise.all([stated, this.#makeGoodTheRest()]);
  }

  /** What earlier runs left; null where their ledger cannot be read for a minute, which makes what it owes the next start's. */
  async #readHistory(): Promise<TripHistory | null> {
    const { boot, dataFolder, files, history, log } = this.#options;
    if (history !== null) return history;
    try {
      const found = await this.#patience.withDisk(() => readTrips(dataFolder, files), ledgerTries);
      const isFormer = (trip: TripDeclaration) => trip.boot !== boot;
      return { ...found, owed: found.owed.filter(isFormer), declared: found.declared.filter(isFormer) };
    } catch (error) {
      if (this.#patience.signal.aborted || !isDiskFault(error)) throw error;
      log.error(
        { why: messageOf(error) },
        'trips of the run before cannot be read; the next start tries again',
      );
      return null;
    }
  }

  /** The runs before this one, newest first; a ring that cannot be read keeps no trip waiting that is owed. */
  async #formerRuns(): Promise<readonly FormerRun[]> {
    for (;;) {
      try {
        return await this.#lookBack();
      } catch (error) {
        this.#patience.signal.throwIfAborted();
        if (!isDiskFault(error)) {
          this.#options.log.error(
            { why: messageOf(error) },
            'run before not in the ring; its end is not stated',
          );
          return [];
        }
        this.#patience.refused(error);
        await this.#makeGood();
        await this.#patience.retry();
      }
    }
  }

  async #lookBack(): Promise<readonly FormerRun[]> {
    const { dataFolder, boot, files, gaps } = this.#options;
    const stated = new Set(gaps.gaps.flatMap((gap) => (gap.kind === 'no-recorder' ? [gap.after] : [])));
    const found = await formerRuns(dataFolder, boot, stated, files);
    // Which ends have been stated is not known: only that of the newest is new for certain.
    const runs = gaps.isRead ? found : found.slice(0, 1);
    for (const run of runs) await this.#findUndeclared(run);
    return runs;
  }

  async #makeGood(): Promise<void> {
    this.#owed.push(...(await this.#owedTrips.makeGood(this.#owed.splice(0), this.#declared)));
  }

  async #makeGoodTheRest(): Promise<void> {
    while (this.#owed.length > 0) {
      await this.#patience.retry();
      await this.#makeGood();
    }
  }

  /** The run before may have been killed between a stop of the pump and the word of it on the disk, or had no room for it. */
  async #findUndeclared({ boot, stop }: FormerRun): Promise<void> {
    const { trips, newId } = this.#options;
    // In a ledger that cannot be read it may stand already.
    if (stop === null || this.#downTimes.history === null) return;
    const isSame = (run: string, trip_s: number) =>
      run === boot && Math.abs(trip_s - stop.trip_s) < sameTrip_s;
    if (this.#declared.some((trip) => isSame(trip.boot, trip.trip_s))) return;
    const wall_ms = wallAt_ms(stop.anchor, stop.trip_s);
    // An older version had no ledger; its event may be there all the same.
    for (const header of await this.#eventsNear(wall_ms)) if (isSame(header.boot, header.trip.time_s)) return;
    const found = { event: newId(wall_ms), boot, ...stop, declared_s: stop.seen_s };
    this.#declared.push(found);
    this.#owed.push(found);
    await this.#patience.onMedium(trips.declared(found));
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
}
