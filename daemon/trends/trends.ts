/** The trends of a data folder, kept up with its disk ring while the server runs. */
import { TrendFollower } from './trend-follow.ts';
import { deviationOf } from './trend-rollup.ts';
import { TrendStore } from './trend-store.ts';

/**
 * One stretch of a trend: start in ms since 1970, min, max, mean, standard deviation (SI, null where every sample was
 * invalid), samples, and the quality bits any of them had.
 */
export type TrendRow = readonly [
  start_ms: number,
  min: number | null,
  max: number | null,
  mean: number | null,
  sd: number | null,
  count: number,
  flags: number,
];

/** GET /api/trends/:channel. Stretches without a sample are left out: a gap is a gap. */
export interface TrendView {
  readonly channel: string;
  readonly step_s: number;
  readonly rows: readonly TrendRow[];
}

/** The ring is looked at so often, in ms; a pass that takes longer delays the next. */
const pace_ms = 15_000;
/** Packing and dropping of what is old, every so many passes. */
const tidyEvery = 240;

export interface Trends {
  /** Another one after damage was found: not to be kept. */
  readonly store: TrendStore;
  readonly counters: Readonly<Record<string, number>>;
  /** Tags that have a trend. */
  channels(): readonly string[];
  /** At most some `points` stretches of [from_ms, to_ms); null for a channel without a trend. */
  trend(channel: string, from_ms: number, to_ms: number, points: number): TrendView | null;
  /** Looks at the ring now; resolves when all of it has been taken in. */
  follow(): Promise<void>;
  close(): Promise<void>;
}

/**
 * `running`: the run of the recorder that writes the ring, null for none. `onTrouble` gets the error of a pass that failed, and
 * null when one has succeeded again; `onSetAside` where a damaged file was set aside. What the disk ring still has is taken
 * into the new one.
 */
export function openTrends(
  dataFolder: string,
  running: string | null,
  onTrouble: (error: unknown) => void,
  onSetAside: (path: string) => void = () => undefined,
): Trends {
  let store = openStore();
  let follower = new TrendFollower(dataFolder, store, running);
  let pass: Promise<void> = Promise.resolve();
  let passes = 0;
  let timer: NodeJS.Timeout | null = null;
  let isClosed = false;

  function openStore(): TrendStore {
    const opened = new TrendStore(dataFolder);
    if (opened.setAside !== null) onSetAside(opened.setAside);
    return opened;
  }

  /** After a bad sector was met while running: opened anew, the file is checked whole and set aside. */
  function beginAnew(): void {
    store.close();
    store = openStore();
    follower = new TrendFollower(dataFolder, store, running);
  }

  async function passOnce(): Promise<void> {
    if (store.isDamaged && !isClosed) beginAnew();
    await follower.follow();
    if (passes++ % tidyEvery === 0) store.tidy(Date.now() / 1000);
  }

  function schedule(): void {
    if (isClosed) return;
    timer = setTimeout(() => {
      pass = passOnce().then(() => onTrouble(null), onTrouble);
      void pass.then(schedule);
    }, pace_ms);
    timer.unref();
  }
  schedule();

  return {
    get store() {
      return store;
    },
    get counters() {
      return follower.counters;
    },
    channels: () => store.channels,

    trend(channel, from_ms, to_ms, points) {
      if (!store.channels.includes(channel)) return null;
      const { step_s, rollups } = store.trend(channel, from_ms / 1000, to_ms / 1000, points);
      const number = (value: number) => (Number.isFinite(value) ? value : null);
      return {
        channel,
        step_s,
        rows: rollups.map((rollup): TrendRow => {
          const { start_s, count, min, max, mean, flags } = rollup;
          const sd = number(deviationOf(rollup));
          return [start_s * 1000, number(min), number(max), number(mean), sd, count, flags];
        }),
      };
    },

    async follow() {
      pass = pass.then(passOnce);
      await pass;
    },

    async close() {
      isClosed = true;
      if (timer !== null) clearTimeout(timer);
      // A pass that failed has been told already.
      await pass.catch(() => undefined);
      store.close();
    },
  };
}
