/** From numbered scans to timed blocks: gaps, restarts and the converter's clock. Knows nothing of bytes. */
import type { Counters, RawBlock, Readings } from '../driver.ts';
import { ScanClock, type StreamClock } from './clock.ts';

/**
 * Longest block, in scans: it bounds the delay of a block that collects a backlog. Published times are led back by half a percent of
 * elapsed time (`slewed-lag.ts`), so after 200 scans the next block would begin before the end of this one.
 */
const longestBlock = 128;

/**
 * Blocks wait after a start: `least_s` at least, and until nothing has moved the clock by more than `move_s` for so many reads and so
 * long, or for `least_s` where reads are rare; `longest_s` at most. The first reads may hold a backlog, and times that were
 * published late can be led back only slowly: 0.4 s take 80 s. All in s.
 */
const warmUp = { least_s: 1, longest_s: 10, move_s: 2e-3, reads: 8, still_s: 0.25 } as const;

/**
 * All reads of so long a time, in s, must be late before the clock is given up, and late by the same: a converter that stood still streams
 * on evenly. A reader or a virtual rig that gets too little of the machine is late by now more, now less, and no clock uses that.
 */
const lateWindow_s = 1;
const evenSpread_s = 0.05;

/**
 * After a restart the first scans may seem to overlap the last ones by so much, in s: both clocks are estimates. More, and the
 * converter contradicts itself.
 */
const mostOverlap_s = 0.2;

/**
 * After a restart of the clock the converter's own count goes on when it has grown by the time that has passed, give or take so
 * much, in s: reads of a busy machine are late by seconds. A converter that was switched off counts from 0.
 */
const mostDelay_s = 5;

type MakeClock = new (
  period_s: number,
  index: number,
  notAfter_s: number,
  notBefore_s: number,
) => StreamClock;

/** What a read says of time: scan `index` was surely taken at or before `notAfter_s`, the one behind it after `notBefore_s`. */
export interface ScanSight {
  readonly index: number;
  readonly notAfter_s: number;
  readonly notBefore_s: number;
}

/** Consecutive scans that have no time yet. */
interface Piece {
  readonly index: number;
  readonly scans: number;
  readonly lostBefore: number;
  readonly raw: Int32Array | Float64Array;
  readonly quality: Uint8Array;
}

/**
 * Takes scans read by read and emits blocks of the line's only group. Scans of a read leave at its end, in blocks as long as they
 * follow each other without a gap.
 *
 * Counters it fills: `scansReceived`, `scansLost`, `restartsSeen`, `scansDiscarded` (received, but taken before earlier ones by their
 * own account).
 */
export class ScanStream {
  /** Where `append` says the values of a scan go, column by column. */
  readonly scratch: Int32Array | Float64Array;
  readonly readings: Readings = { drift_ppm: 0, halfWidth_ms: 0 };
  readonly #columns: number;
  readonly #counters: Counters;
  readonly #emit: (block: RawBlock) => void;
  readonly #lateLimit_s: number;
  #leastLate_s = Number.POSITIVE_INFINITY;
  #mostLate_s = Number.NEGATIVE_INFINITY;
  #lateSince_s = 0;
  readonly #quality = new Uint8Array(longestBlock);
  readonly #Clock: MakeClock;
  #clock: StreamClock | null = null;
  #period_s = 0;
  #isWarm = false;
  #firstArrival_s = 0;
  /** Since the clock last moved: when that was, and reads. */
  #still_s = 0;
  #stillReads = 0;
  #held: Piece[] = [];
  #isStart = true;
  /** The next block is the first by a new clock: it has to follow what was published by the old one. */
  #isFirstOfClock = true;
  #expected = 0;
  #pieceIndex = 0;
  #pieceScans = 0;
  #pieceLost = 0;
  #nextScan = 0;
  /** Running index that follows the last published scan; null when what comes now is of another count. */
  #nextIndex: number | null = null;
  /** The count goes on over the restart of the clock. */
  #isContinued = false;
  /** Scans of the same count discarded since the last published one. */
  #discarded = 0;
  /** End of the latest read, in s. */
  #read_s = 0;
  /** Published instant of the last scan, in s; null before the first block. */
  #lastTime_s: number | null = null;

  /** `lateLimit_s`: reads that stay later than this prove that scans are missing or that the converter stood still. */
  constructor(
    columns: number,
    isFloat: boolean,
    lateLimit_s: number,
    counters: Counters,
    emit: (block: RawBlock) => void,
    Clock: MakeClock = ScanClock,
  ) {
    this.#Clock = Clock;
    this.#lateLimit_s = lateLimit_s;
    this.scratch = isFloat
      ? new Float64Array(columns * longestBlock)
      : new Int32Array(columns * longestBlock);
    this.#columns = columns;
    this.#counters = counters;
    this.#emit = emit;
    for (const name of ['scansReceived', 'scansLost', 'restartsSeen', 'scansDiscarded']) counters[name] ??= 0;
  }

  /** Index that the next scan has if nothing is lost; null before the first scan and after `restart`. */
  get expected(): number | null {
    return this.#isStart && this.#pieceScans === 0 && !this.#isContinued ? null : this.#expected;
  }

  /** Index that would have come next before the clock was given up; null before the first scan. */
  get left(): number | null {
    return this.#period_s === 0 ? null : this.#expected;
  }

  /**
   * To be asked when `expected` is null: whether scan `index`, read at `read_s`, goes on with the count of before. Then
   * `expected` is again what it was.
   */
  resume(index: number, read_s: number): boolean {
    const counted_s = (index - this.#expected) * this.#period_s;
    this.#isContinued = counted_s >= 0 && Math.abs(read_s - this.#read_s - counted_s) <= mostDelay_s;
    return this.#isContinued;
  }

  get period_s(): number {
    return this.#period_s;
  }

  /** Instant of a scan by the present clock in s, without effect on what is published; null while there is none. */
  predict_s(index: number): number | null {
    return this.#clock?.estimate_s(index) ?? null;
  }

  /**
   * Adds `scans` (at most 128) from running index `index` on, not below `expected`; returns the place of their first value in
   * `scratch`, to be filled before the next call.
   */
  append(index: number, scans: number, period_s: number, quality: number): number {
    if (this.expected === null) {
      this.#expected = index;
      this.#period_s = period_s;
      this.#nextIndex = null;
      this.#discarded = 0;
    }
    const lost = index - this.#expected;
    if (lost > 0 || this.#pieceScans + scans > longestBlock) this.#closePiece();
    if (this.#pieceScans === 0) {
      this.#pieceIndex = index;
      this.#pieceLost = lost;
    }
    const from = this.#pieceScans;
    this.#quality.fill(quality, from, from + scans);
    this.#pieceScans += scans;
    this.#expected = index + scans;
    this.#counters['scansReceived'] += scans;
    return from * this.#columns;
  }

  /** Learns of time alone, from a read that brought no scans. */
  observe({ index, notAfter_s, notBefore_s }: ScanSight): void {
    this.#clock?.observe(index, notAfter_s, notBefore_s);
  }

  /**
   * Notes the end of a read: its last scan was surely taken at or before `taken_s`, or `sight` says more. Emits what can be
   * timed.
   */
  endRead(taken_s: number, sight?: ScanSight): void {
    if (this.#pieceScans === 0) return;
    const last = this.#expected - 1;
    const seen = sight ?? { index: last, notAfter_s: taken_s, notBefore_s: Number.NEGATIVE_INFINITY };
    this.#read_s = taken_s;
    if (this.#clock === null) {
      this.#clock = new this.#Clock(this.#period_s, seen.index, seen.notAfter_s, seen.notBefore_s);
      this.#firstArrival_s = taken_s;
      this.#still_s = taken_s;
      this.#stillReads = 1;
      this.#isWarm = false;
      this.#watchLateness(taken_s);
    } else {
      const before_s = this.#clock.estimate_s(last);
      this.#clock.observe(seen.index, seen.notAfter_s, seen.notBefore_s);
      this.#warmUp(taken_s, Math.abs(this.#clock.estimate_s(last) - before_s));
    }
    this.#closePiece();
    if (!this.#isWarm) return;
    this.#emitHeld(this.#clock);
    const late_s = taken_s - this.#clock.estimate_s(last);
    this.#leastLate_s = Math.min(this.#leastLate_s, late_s);
    this.#mostLate_s = Math.max(this.#mostLate_s, late_s);
    if (taken_s - this.#lateSince_s < lateWindow_s) return;
    const isEven = this.#mostLate_s - this.#leastLate_s < Math.max(evenSpread_s, this.#lateLimit_s / 6);
    if (this.#leastLate_s > this.#lateLimit_s && isEven) this.restart(taken_s);
    this.#watchLateness(taken_s);
  }

  #watchLateness(from_s: number): void {
    this.#lateSince_s = from_s;
    this.#leastLate_s = Number.POSITIVE_INFINITY;
    this.#mostLate_s = Number.NEGATIVE_INFINITY;
  }

  #warmUp(taken_s: number, moved_s: number): void {
    if (moved_s > warmUp.move_s) {
      this.#still_s = taken_s;
      this.#stillReads = 0;
    }
    this.#stillReads++;
    const still_s = taken_s - this.#still_s;
    const time_s = taken_s - this.#firstArrival_s;
    const isStill = still_s >= (this.#stillReads >= warmUp.reads ? warmUp.still_s : warmUp.least_s);
    this.#isWarm ||= (isStill && time_s >= warmUp.least_s) || time_s >= warmUp.longest_s;
  }

  /** Emits what still waits for a better clock, as before a stop. */
  flush(): void {
    this.#closePiece();
    if (this.#clock !== null) this.#emitHeld(this.#clock);
  }

  /** The clock starts anew at `taken_s`: the next scan may have any index; unless it can `resume`, the loss is judged by time. */
  restart(taken_s: number): void {
    if (this.expected === null) return;
    this.#clock ??= new this.#Clock(this.#period_s, this.#expected - 1, taken_s, Number.NEGATIVE_INFINITY);
    this.flush();
    this.#counters['restartsSeen']++;
    this.#clock = null;
    this.#isStart = true;
    this.#isFirstOfClock = true;
    this.#isContinued = false;
  }

  #closePiece(): void {
    if (this.#pieceScans === 0) return;
    this.#held.push({
      index: this.#pieceIndex,
      scans: this.#pieceScans,
      lostBefore: this.#pieceLost,
      raw: this.scratch.slice(0, this.#pieceScans * this.#columns),
      quality: this.#quality.slice(0, this.#pieceScans),
    });
    this.#isStart = false;
    this.#pieceScans = 0;
    this.#pieceLost = 0;
  }

  #emitHeld(clock: StreamClock): void {
    for (const { index, scans, lostBefore, raw, quality } of this.#held) {
      const isJoin = this.#isFirstOfClock && this.#lastTime_s !== null;
      if (isJoin && !this.#join(clock, index, this.#lastTime_s!)) {
        this.#counters['scansDiscarded'] += scans;
        if (this.#nextIndex !== null) this.#discarded += scans;
        continue;
      }
      this.#isFirstOfClock = false;
      const time_s = clock.publish_s(index);
      const interval_s = clock.interval_s;
      const end = index + scans - 1;
      // The scans of a block are evenly spaced; the clock's estimate of its end may differ a little.
      const bend_s = Math.abs(clock.estimate_s(end) - clock.estimate_s(index) - (scans - 1) * interval_s);
      const halfWidth_s = Math.max(clock.halfWidth_s(index), clock.halfWidth_s(end)) + bend_s;
      let lost = lostBefore;
      // Where the count goes on, what is lost is known exactly.
      if (isJoin && this.#nextIndex !== null) lost = index - this.#nextIndex;
      else if (isJoin) lost = Math.max(0, Math.round((time_s - this.#lastTime_s!) / interval_s) - 1);
      // What was discarded has been counted, and is missing for whoever reads the numbers.
      this.#counters['scansLost'] += Math.max(0, lost - this.#discarded);
      this.#discarded = 0;
      const scan = this.#nextScan + lost;
      this.#nextScan = scan + scans;
      this.#nextIndex = index + scans;
      this.#lastTime_s = time_s + (scans - 1) * interval_s;
      this.readings['drift_ppm'] = clock.drift_ppm;
      this.readings['halfWidth_ms'] = halfWidth_s * 1e3;
      this.#emit({ group: 0, scan, scans, time_s, interval_s, halfWidth_s, raw, quality, lostBefore: lost });
    }
    this.#held.length = 0;
  }

  /** Puts scan `index` of a new clock behind the last published one; false when it cannot have been taken after it. */
  #join(clock: StreamClock, index: number, last_s: number): boolean {
    const least_s = last_s + clock.interval_s;
    if (least_s - clock.estimate_s(index) > mostOverlap_s + clock.interval_s) return false;
    clock.notBefore(index, least_s);
    return true;
  }
}
