/**
 * The events of one data folder: index, intake and library over it. Opened once by the server; the folders are the only truth.
 */

import { systemClock } from '../../drivers/clock.ts';
import { EventIndex } from '../store/event-index.ts';
import type { Files } from '../store/files.ts';
import { disk } from '../store/files.ts';
import { createIntake, type Intake } from './intake.ts';
import { type Library, libraryOf } from './library.ts';
import { LoadedEvents } from './loaded-events.ts';
import { type Analyse, TakeIn } from './take-in.ts';

export interface EventStoreOptions {
  readonly dataFolder: string;
  /** Written into each verdict. */
  readonly software: string;
  readonly analyse: Analyse;
  readonly files?: Files;
  /** Monotonic, in s. */
  readonly now_s?: () => number;
  /** The index is in memory alone: for a data folder that takes nothing. */
  readonly isVolatile?: boolean;
}

export interface EventStore extends Intake, Library {
  /** Where a damaged index was set aside; null when there was none. The next scan makes it anew. */
  readonly setAside: string | null;
}

export function openEventStore(options: EventStoreOptions): EventStore {
  const { dataFolder, software, analyse, files = disk } = options;
  const index = new EventIndex(dataFolder, options.isVolatile);
  const loaded = new LoadedEvents(dataFolder, files);
  const takeIn = new TakeIn({ dataFolder, software, analyse, files, index, loaded });
  const now_s = options.now_s ?? systemClock.monotonic_s;
  return {
    setAside: index.setAside,
    ...libraryOf({ dataFolder, files, loaded, index }),
    ...createIntake({ dataFolder, files, index, loaded, takeIn, now_s }),
  };
}
