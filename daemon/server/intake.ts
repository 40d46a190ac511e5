/**
 * From a closed folder to a verdict and a row of the index. A folder is the only input, so a live event, a replay and a
 * re-analysis take the same way, and a server that was away catches up by itself.
 */
import type { DiskConfig } from '../../config/disk.ts';
import { eventFolder, listEvents, wallOfId_ms } from '../store/event-folder.ts';
import type { EventIndex, Unjudged } from '../store/event-index.ts';
import { type Files, isFaultOfOne } from '../store/files.ts';
import { lowSpace_bytes } from '../store/retention.ts';
import { removeTraces } from '../store/trace-keeper.ts';
import { sweepUnfinished } from '../store/verdict-files.ts';
import type { LoadedEvents } from './loaded-events.ts';
import { RetryTimes } from './retry-times.ts';
import type { Ingested, TakeIn } from './take-in.ts';

export interface IntakeOptions {
  readonly dataFolder: string;
  readonly files: Files;
  readonly index: EventIndex;
  readonly loaded: LoadedEvents;
  readonly takeIn: TakeIn;
  /** Monotonic, in s. */
  readonly now_s: () => number;
}

/** Calls are queued and run one after the other, a scan event by event. */
export interface Intake {
  /**
   * Takes in one closed event; the newest revision when it had been taken in before. Null when no such folder is there, or the
   * store is closed.
   */
  ingest(id: string): Promise<Ingested | null>;
  /**
   * Takes in every whole folder that the index does not know. Cheap when there is none: to be called at start and now and
   * then. Events that the index has without a verdict are judged again when their time has come; `onEach` gets those of which
   * something has changed. Other calls have their turn between two folders. Folders that the system refuses are passed over;
   * the first such error is thrown at the end. An event of which one file is refused scan after scan comes into the index
   * without a verdict, or with the one that can be read, and says why.
   */
  scan(onEach?: (ingested: Ingested) => void): Promise<void>;
  /** Events without a verdict, newest first, and why. */
  unjudged(): Unjudged[];
  /** A further revision of the verdict, for the stated reason. */
  reanalyse(id: string, reason: string): Promise<Ingested | null>;
  /** Removes traces of kept windows and accepted routine events where space or quota asks for it; the events it touched. */
  keepTraces(limits: DiskConfig, now_ms: number): Promise<string[]>;
  /** Forgets the index and makes it anew from the folders. */
  rebuild(): Promise<void>;
  /** Waits for the call in hand, then closes the index; a scan under way ends there. */
  close(): Promise<void>;
}

/** So often a file of an event may be refused before the event is indexed with what else it has. */
const refusalsPassing = 2;
/** Judging again takes no more of one scan than this, in s; at least one event has its turn. */
const retryShare_s = 0.5;

export function createIntake(options: IntakeOptions): Intake {
  const { dataFolder, files, index, loaded, now_s } = options;
  const taker = options.takeIn;
  const retries = new RetryTimes();
  /** How often in a row the system refused a file of an event that is not indexed. */
  const refusals = new Map<string, number>();
  let queue: Promise<unknown> = Promise.resolve();
  let isClosed = false;

  function inTurn<T>(work: () => Promise<T>): Promise<T> {
    const result = queue.then(work);
    queue = result.then(
      () => undefined,
      // The caller of `inTurn` has the error; the queue goes on.
      () => undefined,
    );
    return result;
  }

  async function takeIn(id: string, reason: string | null): Promise<Ingested | null> {
    const ingested = isClosed ? null : await attempt(id, reason);
    if (ingested !== null && ingested.row.verdict === null) retries.failed(id, now_s());
    else retries.settled(id);
    return ingested;
  }

  async function attempt(id: string, reason: string | null): Promise<Ingested | null> {
    const before = refusals.get(id) ?? 0;
    const isLasting = before >= refusalsPassing || index.get(id)?.row.verdict === null;
    try {
      const ingested = await taker.takeIn(id, reason, isLasting);
      refusals.delete(id);
      return ingested;
    } catch (error) {
      if (isFaultOfOne(error)) refusals.set(id, before + 1);
      throw error;
    }
  }

  /** What the index has without a verdict once more; null when nothing has changed. */
  async function tryAgain(id: string): Promise<Ingested | null> {
    const before = index.get(id);
    if (before === null || before.row.verdict !== null) return null;
    const ingested = await takeIn(id, null);
    // Somebody has moved the folder away.
    if (ingested === null) index.drop(id);
    return ingested?.row.verdict === null && ingested.trouble === before.trouble ? null : ingested;
  }

  async function keepTraces(limits: DiskConfig, now_ms: number): Promise<string[]> {
    const space = await files.space(dataFolder);
    const { age_s, size_bytes } = limits.routineTraces;
    const isNeeded = size_bytes !== null || space.free_bytes < lowSpace_bytes(limits, space);
    const old = isNeeded ? index.known().filter((id) => now_ms - wallOfId_ms(id) > age_s * 1000) : [];
    const rows = [...new Set([...index.windows(), ...old])]
      .flatMap((id) => index.get(id)?.row ?? [])
      .filter((row) => row.traceRemoved === undefined)
      .sort((a, b) => a.wall_ms - b.wall_ms);
    const gone = await removeTraces({ dataFolder, disk: limits, now_ms, files }, rows, space);
    const told: string[] = [];
    for (const id of gone) {
      loaded.forget(id);
      const note = await taker.removedOf(eventFolder(dataFolder, id));
      // Without a note it was somebody else, and would be found gone at every look.
      if (note === null) continue;
      index.markRemoved(id, note);
      told.push(id);
    }
    return told;
  }

  /** One event a turn: an index of years that is made anew must not keep the trip of now from its verdict. */
  async function scanAll(onEach: (ingested: Ingested) => void): Promise<void> {
    const failures: unknown[] = [];
    const turn = async (work: () => Promise<Ingested | null>): Promise<void> => {
      try {
        // The store may have been closed meanwhile.
        const ingested = await inTurn(async () => (isClosed ? null : await work()));
        if (ingested !== null) onEach(ingested);
      } catch (error) {
        // One folder that the system refuses must not hide those after it; it stays unknown and comes up again.
        failures.push(error);
      }
    };
    // In its turn, so that no verdict is under way here meanwhile.
    await turn(async () => {
      await sweepUnfinished(dataFolder, taker.writer, files);
      return null;
    });
    const known = new Set(isClosed ? [] : index.known());
    for (const id of await listEvents(dataFolder, files)) {
      // A hint may have brought it meanwhile.
      if (!known.has(id)) await turn(async () => (index.get(id) !== null ? null : await takeIn(id, null)));
    }
    const until_s = now_s() + retryShare_s;
    const unjudged = isClosed ? [] : index.unjudged().map(({ id }) => id);
    for (const id of retries.due(unjudged, now_s())) {
      await turn(() => tryAgain(id));
      if (now_s() > until_s) break;
    }
    if (failures.length > 0) throw failures[0];
  }

  return {
    ingest: (id) => inTurn(() => takeIn(id, null)),
    reanalyse: (id, reason) =>
      inTurn(async () => {
        if (isClosed) return null;
        // An event that the index knows is not looked at again: from here on it is unknown until the new revision is in.
        index.forget(id);
        return await takeIn(id, reason);
      }),
    keepTraces: (limits, now_ms) => inTurn(() => keepTraces(limits, now_ms)),
    scan: (onEach = () => undefined) => scanAll(onEach),
    async rebuild() {
      await inTurn(async () => index.clear());
      await scanAll(() => undefined);
    },
    unjudged: () => index.unjudged(),
    async close() {
      isClosed = true;
      await queue;
      index.close();
    },
  };
}
