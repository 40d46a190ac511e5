/**
 * The recorder's lossless lane to the disk: takes every block and returns at once, commits once a second beside the data
 * path. A disk that fails or is slow is tried again for ever; memory is bounded, and what does not fit is counted.
 */
import type { RigConfig } from '../../config/rig.ts';
import type { Counters, RawBlock } from '../../drivers/driver.ts';
import type { WallAnchor } from '../clock.ts';
import { codeOf, type Files, messageOf } from '../store/files.ts';
import { type RingHeader, ringHour } from '../store/ring-format.ts';
import type { TraceGroup } from '../store/trace-header.ts';
import { version } from '../version.ts';
import { type Log, QuietLog } from './log.ts';
import { RingSegment } from './ring-segment.ts';

/** Data waits for so long at most before it goes to the disk, in s: with the sync itself that stays below a second. */
const commit_s = 0.7;
/** A disk that refused is asked again after so long, in s. */
const retry_s = 2;
/** Blocks waiting for a disk may hold so much memory; what comes then is dropped and counted. */
const mostPending_bytes = 24 * 2 ** 20;

export interface DiskRingOptions {
  readonly config: RigConfig;
  readonly boot: string;
  readonly groups: readonly TraceGroup[];
  readonly anchor: () => WallAnchor;
  readonly files: Files;
  readonly log: Log;
  readonly now_s: () => number;
  /** Memory for blocks that wait; for tests. */
  readonly mostPending_bytes?: number;
}

/** Why the ring does not take what comes. */
interface RingTrouble {
  readonly code: string;
  readonly why: string;
}

export class DiskRing {
  readonly counters = {
    ringCommitsDone: 0,
    ringCommitsFailed: 0,
    /** Not stored because the disk refused. */
    ringScansRefused: 0,
    /** Not stored because the data came faster than the disk took it. */
    ringScansOutrun: 0,
    ringBytesWritten: 0,
  } satisfies Counters;
  /** Null while the disk takes what comes. */
  trouble: RingTrouble | null = null;
  private readonly options: DiskRingOptions;
  private readonly quiet: QuietLog;
  private config: RigConfig;
  private sequence = 0;
  private current: RingSegment;
  /** Segments that get no more blocks and are not closed yet, oldest first. */
  private ending: RingSegment[] = [];
  private due_s: number;
  private running: Promise<void> | null = null;
  private isAskedAgain = false;

  constructor(options: DiskRingOptions) {
    this.options = options;
    this.config = options.config;
    this.quiet = new QuietLog(options.log, options.now_s);
    this.current = this.begin();
    this.due_s = options.now_s() + commit_s;
  }

  /** Takes a block of `groups[group]`; the block and its arrays must not change any more. */
  add(group: number, block: RawBlock): void {
    const held_bytes = this.ending.reduce(
      (sum, each) => sum + each.pending_bytes,
      this.current.pending_bytes,
    );
    if (held_bytes > (this.options.mostPending_bytes ?? mostPending_bytes)) {
      if (this.trouble === null) this.counters.ringScansOutrun += block.scans;
      else this.counters.ringScansRefused += block.scans;
      this.quiet.warn({ why: this.trouble?.why ?? 'the disk is too slow' }, 'scans not stored in the ring');
      return;
    }
    this.current.add(group, block);
  }

  /** To be called now and then; begins a commit when one is due. */
  tick(now_s: number): void {
    const { anchor } = this.current.header;
    if (ringHour(this.options.anchor().wall_ms) !== ringHour(anchor.wall_ms)) this.renew(this.config);
    if (now_s >= this.due_s) this.sync();
  }

  /** What follows is of another calibration or wall clock: begins a new segment. */
  renew(config: RigConfig): void {
    this.config = config;
    if (!this.current.isUntouched) this.ending.push(this.current);
    this.current = this.begin();
  }

  /** Commits now: after a trip what led to it is not to wait for the second. */
  sync(): void {
    if (this.running !== null) {
      this.isAskedAgain = true;
      return;
    }
    this.due_s = this.options.now_s() + commit_s;
    this.running = this.commit().finally(() => {
      this.running = null;
      if (!this.isAskedAgain) return;
      this.isAskedAgain = false;
      if (this.trouble === null) this.sync();
    });
  }

  /** Resolves when no commit is under way. */
  async idle(): Promise<void> {
    while (this.running !== null) await this.running;
  }

  /** Writes what there is and closes. What the disk still refuses is given up, counted and logged. */
  async finish(): Promise<void> {
    await this.idle();
    this.ending.push(this.current);
    this.current = this.begin();
    await this.commit();
    const scans = this.ending.reduce((sum, segment) => sum + segment.scansPending(), 0);
    this.counters.ringScansRefused += scans;
    if (scans > 0) this.options.log.error({ scans, why: this.trouble?.why }, 'ring not closed in order');
  }

  private async commit(): Promise<void> {
    const now_s = this.options.now_s();
    const all = [...this.ending, this.current];
    const before_bytes = all.reduce((sum, segment) => sum + segment.written_bytes, 0);
    try {
      for (let first = this.ending[0]; first !== undefined; first = this.ending[0]) {
        await first.finish(now_s);
        this.ending.shift();
      }
      if (!this.current.isEmpty) await this.current.commit(now_s);
      this.counters.ringCommitsDone++;
      if (this.trouble !== null) this.options.log.info({}, 'ring taken by the disk again');
      this.trouble = null;
    } catch (error) {
      this.counters.ringCommitsFailed++;
      this.trouble = { code: codeOf(error), why: messageOf(error) };
      this.quiet.warn({ why: messageOf(error) }, 'ring commit failed, will be tried again');
      this.due_s = this.options.now_s() + retry_s;
    }
    const after_bytes = all.reduce((sum, segment) => sum + segment.written_bytes, 0);
    this.counters.ringBytesWritten += after_bytes - before_bytes;
  }

  private begin(): RingSegment {
    const { boot, groups, anchor, files } = this.options;
    const { publish: _, ...config } = this.config;
    const header: RingHeader = {
      format: 'tripwave-ring',
      version: 1,
      software: version,
      boot,
      sequence: this.sequence++,
      anchor: anchor(),
      config,
      groups,
    };
    return new RingSegment(config.dataFolder, header, files);
  }
}
