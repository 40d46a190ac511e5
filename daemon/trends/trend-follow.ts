/**
 * Follows the disk ring into the trends: the ring is the truth, so trends lose nothing while the server was away, and a sample
 * is counted once. Where the reader stands is kept in the same transaction as what it has added.
 */
import type { RigConfig } from '../../config/rig.ts';
import type { RawBlock } from '../../drivers/driver.ts';
import type { Series } from '../analysis/record.ts';
import { seriesOf } from '../store/load-record.ts';
import { listRing, type RingBlock, readRing } from '../store/ring-read.ts';
import { LegLoads } from './leg-load.ts';
import { type Rollup, rollUp, type TrendLevel_s, trendLevels_s } from './trend-rollup.ts';
import type { TrendStore } from './trend-store.ts';

/** Numbers taken in one transaction: some tens of ms, so that the pages stay quick. */
const batchNumbers = 200_000;

/** How far one run of a recorder has been read. */
interface Reached {
  /** One past the last scan of each line and group. */
  readonly next: Record<string, number>;
  /** End of the youngest block, monotonic, in s; blocks of a slower line may still come from before it. */
  time_s: number;
}

const place = 'ring';
/** Lines deliver in their own time: so far behind the youngest block it is looked again, in s. */
const patience_s = 30;

type RingHeader = RingBlock['header'];

export class TrendFollower {
  /** Numbers added, and blocks that had been added before. */
  readonly counters = { trendSamplesAdded: 0, trendBlocksSkipped: 0 };
  readonly #dataFolder: string;
  readonly #running: string | null;
  readonly #store: TrendStore;
  #reached: Record<string, Reached>;
  /** Runs that are over and have been read to their end: their part of the ring cannot grow. */
  readonly #done = new Set<string>();

  /** `running`: the run of the recorder that still writes; null when that is not known, then every run is looked at each time. */
  constructor(dataFolder: string, store: TrendStore, running: string | null = null) {
    this.#dataFolder = dataFolder;
    this.#running = running;
    this.#store = store;
    this.#reached = JSON.parse(store.place(place) ?? '{}') as Record<string, Reached>;
  }

  /**
   * Takes in everything that has come since; resolves when the end of the ring is reached. Rejects with the system's error
   * when ring or store fail; the next call goes on after what was kept.
   */
  async follow(): Promise<void> {
    try {
      await this.#followRing();
    } catch (error) {
      this.#reached = JSON.parse(this.#store.place(place) ?? '{}') as Record<string, Reached>;
      throw error;
    }
  }

  async #followRing(): Promise<void> {
    const boots = [...new Set((await listRing(this.#dataFolder)).map(({ header }) => header.boot))];
    for (const boot of Object.keys(this.#reached)) {
      // Retention has taken the last of that run: its scans cannot come again.
      if (!boots.includes(boot)) delete this.#reached[boot];
    }
    for (const boot of boots) {
      if (this.#done.has(boot)) continue;
      await this.#followRun(boot);
      if (this.#running !== null && boot !== this.#running) this.#done.add(boot);
    }
  }

  async #followRun(boot: string): Promise<void> {
    const reached = this.#reached[boot] ?? { next: {}, time_s: Number.NEGATIVE_INFINITY };
    this.#reached[boot] = reached;
    const from_s = reached.time_s - patience_s;
    let batch: RingBlock[] = [];
    let numbers = 0;
    for await (const found of readRing(this.#dataFolder, { boot, from_s, to_s: Number.POSITIVE_INFINITY })) {
      const { header, block } = found;
      const group = header.groups[block.group]!;
      const key = `${group.line}/${group.id}`;
      if (block.scan < (reached.next[key] ?? 0)) {
        this.counters.trendBlocksSkipped++;
        continue;
      }
      reached.next[key] = block.scan + block.scans;
      reached.time_s = Math.max(reached.time_s, block.time_s + block.scans * block.interval_s);
      batch.push(found);
      numbers += block.scans * group.channels.length;
      if (numbers < batchNumbers) continue;
      this.#take(batch);
      batch = [];
      numbers = 0;
    }
    if (batch.length > 0) this.#take(batch);
  }

  #take(batch: readonly RingBlock[]): void {
    const rollups = new Map<string, Record<TrendLevel_s, Rollup[]>>();
    const loads = new LegLoads(this.#store);
    for (const { header, blocks } of bySegment(batch)) {
      const series = seriesOf({ config: header.config as RigConfig }, header.groups, blocks);
      for (const [id, own] of series) {
        if (own.time_s.length === 0) continue;
        this.counters.trendSamplesAdded += own.time_s.length;
        append(rollups, id, own, header);
      }
      loads.add(header, series);
    }
    this.#store.add({ rollups, places: { [place]: JSON.stringify(this.#reached), ...loads.places() } });
  }
}

/** Consecutive blocks under one header; a file's tail has a header of its own that says the same. */
function bySegment(batch: readonly RingBlock[]): { header: RingHeader; blocks: RawBlock[] }[] {
  const parts: { header: RingHeader; blocks: RawBlock[] }[] = [];
  for (const { header, block } of batch) {
    const last = parts.at(-1);
    if (last !== undefined && last.header === header) last.blocks.push(block);
    else parts.push({ header, blocks: [block] });
  }
  return parts;
}

function append(
  rollups: Map<string, Record<TrendLevel_s, Rollup[]>>,
  id: string,
  series: Series,
  { anchor }: RingHeader,
): void {
  const own = rollups.get(id) ?? { 1: [], 60: [], 3600: [] };
  rollups.set(id, own);
  for (const level_s of trendLevels_s) own[level_s].push(...rollUp(series, anchor, level_s));
}
