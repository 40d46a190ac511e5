/** Declared trips whose run ended before their event was written: made from the disk ring, or named as lost. */
import type { Clock } from '../../drivers/clock.ts';
import { wallAt_ms } from '../clock.ts';
import {
  type EventContent,
  eventFolder,
  keepEventName,
  nextEventId,
  type Rebuilt,
  readEventHeader,
} from '../store/event-folder.ts';
import { type Files, isDiskFault, isMissing, messageOf } from '../store/files.ts';
import type { GapLedger } from '../store/gap-ledger.ts';
import type { TripDeclaration, TripLedger } from '../store/trip-ledger.ts';
import type { Log } from './log.ts';
import type { Patience } from './patience.ts';
import { rebuildEvent } from './rebuild-event.ts';

/** An id that is taken is followed by so many others, at most. */
const mostNames = 50;

export interface OwedTripsOptions {
  readonly dataFolder: string;
  readonly files: Files;
  readonly log: Log;
  readonly clock: Clock;
  readonly trips: TripLedger;
  readonly gaps: GapLedger;
  /** Writes an event like any other. */
  readonly write: (content: EventContent) => void;
}

export class OwedTrips {
  readonly counters = { tripsRebuilt: 0, tripsLost: 0 };
  readonly #options: OwedTripsOptions;
  readonly #patience: Patience;

  constructor(options: OwedTripsOptions, patience: Patience) {
    this.#options = options;
    this.#patience = patience;
  }

  /**
   * In the order given; those whose files the disk refused are given back, to be tried again. `declared` are all that are on
   * file: a record ends where the next trip of its run begins. Rejects when the recorder stops.
   */
  async makeGood(
    owed: readonly TripDeclaration[],
    declared: readonly TripDeclaration[],
  ): Promise<readonly TripDeclaration[]> {
    const refused: TripDeclaration[] = [];
    for (const trip of owed) {
      try {
        await this.#makeGoodOrName(trip, declared);
      } catch (error) {
        if (this.#patience.signal.aborted || !isDiskFault(error)) throw error;
        this.#patience.refused(error);
        refused.push(trip);
      }
    }
    return refused;
  }

  /** A trip that cannot be rebuilt stays owed, so that a later version may do it; till then it is named as lost. */
  async #makeGoodOrName(trip: TripDeclaration, declared: readonly TripDeclaration[]): Promise<void> {
    try {
      await this.#makeGood(trip, declared);
    } catch (error) {
      if (this.#patience.signal.aborted || isDiskFault(error)) throw error;
      void this.#lose(trip, `Its event cannot be rebuilt: ${messageOf(error)}.`);
    }
  }

  async #makeGood(trip: TripDeclaration, declared: readonly TripDeclaration[]): Promise<void> {
    const { dataFolder, files, log, trips, write } = this.#options;
    const there = await this.#written(trip);
    if (there !== null) {
      // Its writer may have been killed before the name was made to last.
      await keepEventName(dataFolder, there, files);
      log.info({ event: trip.event, folder: there }, 'declared trip was written');
      void trips.closed(trip.event, 'written');
      return;
    }
    const later = declared.filter(({ boot, trip_s }) => boot === trip.boot && trip_s > trip.trip_s);
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
    this.#patience.signal.throwIfAborted();
    if (content !== null) {
      this.counters.tripsRebuilt++;
      log.warn(
        { event: trip.event, missing: content.header.rebuilt?.missing },
        'event rebuilt from the ring',
      );
      write(content);
      return;
    }
    const why = 'The recorder ended before the event was written, and the disk ring has no samples of it.';
    // Closed when the loss is on record; a recorder that stops before leaves it to the next start.
    const named = this.#patience.onMedium(this.#lose(trip, why));
    named.then(
      () => void trips.closed(trip.event, 'lost'),
      () => undefined,
    );
  }

  /** Resolves when the loss is on the medium. */
  async #lose({ event, source, anchor, trip_s }: TripDeclaration, why: string): Promise<void> {
    const { log, gaps } = this.#options;
    this.counters.tripsLost++;
    log.error({ event, source, why }, 'declared trip lost');
    const at_ms = wallAt_ms(anchor, trip_s);
    await gaps.add({ kind: 'trip-lost', event, source, at_ms, why });
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
}
