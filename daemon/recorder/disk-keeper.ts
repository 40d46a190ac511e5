/** Watches the space of the data folder and keeps the ring within its quota, beside the data path. */

import { usualDisk } from '../../config/disk.ts';
import type { RigConfig } from '../../config/rig.ts';
import type { Counters } from '../../drivers/driver.ts';
import { type Files, messageOf } from '../store/files.ts';
import { type DiskSpace, lowSpace_bytes, removeOldTorn, shortenRing } from '../store/retention.ts';
import type { DiskRing } from './disk-ring.ts';
import { type Log, QuietLog } from './log.ts';
import type { DiskStatus } from './messages.ts';

const period_s = 60;
/** While space is low, in s. */
const lowPeriod_s = 5;

export class DiskKeeper {
  readonly counters = { ringFilesRemoved: 0, tornFoldersRemoved: 0, spaceChecksFailed: 0 } satisfies Counters;
  /** Null before the first look. */
  space: DiskSpace | null = null;
  isLow = false;
  private readonly config: RigConfig;
  private readonly files: Files;
  private readonly quiet: QuietLog;
  private due_s = Number.NEGATIVE_INFINITY;
  private isBusy = false;

  constructor(config: RigConfig, files: Files, log: Log, now_s: () => number) {
    this.config = config;
    this.files = files;
    this.quiet = new QuietLog(log, now_s);
  }

  /** To be called now and then; looks when it is due. */
  tick(now_s: number, wall_ms: number): void {
    if (this.isBusy || now_s < this.due_s) return;
    this.isBusy = true;
    this.look(wall_ms)
      .catch((error: unknown) => {
        this.counters.spaceChecksFailed++;
        this.quiet.warn({ why: messageOf(error) }, 'disk space not looked after');
      })
      .finally(() => {
        this.due_s = now_s + (this.isLow ? lowPeriod_s : period_s);
        this.isBusy = false;
      });
  }

  private async look(wall_ms: number): Promise<void> {
    const { config, files } = this;
    const { dataFolder, disk = usualDisk } = config;
    this.space = await files.space(dataFolder);
    const { removed, free_bytes } = await shortenRing(dataFolder, disk, this.space, wall_ms, files);
    this.counters.ringFilesRemoved += removed;
    this.counters.tornFoldersRemoved += await removeOldTorn(dataFolder, disk, wall_ms, files);
    this.isLow = free_bytes < lowSpace_bytes(disk, this.space);
  }
}

/** The part of the status that tells of the disk; nothing before the first look. */
export function diskStatus(
  { space, isLow }: DiskKeeper,
  { trouble }: Pick<DiskRing, 'trouble'>,
  { eventsWaiting }: { readonly eventsWaiting: number },
): { disk?: DiskStatus } {
  if (space === null && trouble === null) return {};
  const state = trouble !== null ? 'refusing' : isLow ? 'low' : 'good';
  return { disk: { free_bytes: space?.free_bytes ?? 0, state, why: trouble?.why ?? '', eventsWaiting } };
}
