/** min, max, last and mean of every channel over fixed periods of the monotonic clock. */
import { quality } from '../../drivers/driver.ts';
import type { CalibratedBlock } from './calibrate.ts';

/** Pictures a second. A whole number, so that the ends of periods are exact where they can be. */
const periodsPerSecond = 20;
/** Length of a period, in s. */
export const summaryPeriod_s = 1 / periodsPerSecond;
/** Periods that may be open at once: a slow line may lag this many behind the fastest. */
const openPeriods = 8;
/** A period waits so many periods for the slowest group before it goes out without it. */
const patience = 3;
/** Numbers an accumulator keeps per channel: min, max, last, sum, count, quality bits seen. */
const fields = 6;

/**
 * A finished period in fresh arrays. `values`: min, max, last, mean per channel, NaN where there was no sample; `counts`:
 * samples in them; `flags`: every bit of `quality` that a scan had, those of invalid ones too.
 */
export interface PeriodSummary {
  readonly time_s: number;
  readonly values: Float64Array;
  readonly counts: Uint32Array;
  readonly flags: Uint8Array;
}

export class Summariser {
  /** Samples that came after their period had gone out. */
  samplesLate = 0;
  private readonly channels: number;
  private readonly onPeriod: (summary: PeriodSummary) => void;
  private readonly slots: Float64Array;
  /** End of what each group has delivered, as a period number. */
  private readonly progress: Float64Array;
  /** The oldest period not yet sent; -1 before the first block. */
  private oldest = -1;

  /** `channels` of the rig, `groups` over all lines. */
  constructor(channels: number, groups: number, onPeriod: (summary: PeriodSummary) => void) {
    this.channels = channels;
    this.onPeriod = onPeriod;
    this.slots = new Float64Array(openPeriods * channels * fields);
    this.progress = new Float64Array(groups).fill(-1);
    for (let slot = 0; slot < openPeriods; slot++) this.clear(slot);
  }

  /**
   * Takes the calibrated block of `group` (counted over all lines); `columns[c]` is the rig channel of column c, or -1.
   * May call `onPeriod` for periods that are now complete. Scans that `bits` call invalid hold no value and are left out.
   */
  add(group: number, block: CalibratedBlock, columns: Int32Array): void {
    const { scans, time_s, interval_s } = block;
    let period = Math.floor(time_s * periodsPerSecond);
    if (this.oldest < 0) this.oldest = period;
    for (let first = 0; first < scans; ) {
      // Scans of this block before the end of the period.
      const left = ((period + 1) / periodsPerSecond - time_s) / interval_s;
      const end = interval_s > 0 && left < scans ? Math.max(first + 1, Math.ceil(left)) : scans;
      if (period >= this.oldest + openPeriods) this.sendUpTo(period - openPeriods + 1);
      if (period >= this.oldest) {
        const base = (period % openPeriods) * this.channels * fields;
        accumulateValid(
          { slots: this.slots, base, values: block.values, columns },
          block.quality,
          first,
          end,
        );
      } else this.samplesLate += (end - first) * columns.length;
      first = end;
      if (first < scans)
        period = Math.max(period + 1, Math.floor((time_s + first * interval_s) * periodsPerSecond));
    }
    const reached = Math.floor((time_s + scans * interval_s) * periodsPerSecond);
    if (reached > this.progress[group]) {
      this.progress[group] = reached;
      this.sendComplete();
    }
  }

  private sendComplete(): void {
    const { progress } = this;
    let slowest = progress[0];
    let fastest = progress[0];
    for (let group = 1; group < progress.length; group++) {
      if (progress[group] < slowest) slowest = progress[group];
      if (progress[group] > fastest) fastest = progress[group];
    }
    this.sendUpTo(Math.max(slowest, fastest - patience));
  }

  /** Sends every open period before `limit`. */
  private sendUpTo(limit: number): void {
    // After a silence longer than the open periods the ones in between hold nothing: do not send them one by one.
    const last = Math.min(limit, this.oldest + openPeriods);
    for (; this.oldest < last; this.oldest++) this.send(this.oldest);
    if (this.oldest < limit) this.oldest = limit;
  }

  private send(period: number): void {
    const slot = period % openPeriods;
    const base = slot * this.channels * fields;
    const values = new Float64Array(this.channels * 4);
    const counts = new Uint32Array(this.channels);
    const flags = new Uint8Array(this.channels);
    for (let channel = 0; channel < this.channels; channel++) {
      const from = base + channel * fields;
      const count = this.slots[from + 4];
      const to = channel * 4;
      values[to] = count > 0 ? this.slots[from] : Number.NaN;
      values[to + 1] = count > 0 ? this.slots[from + 1] : Number.NaN;
      values[to + 2] = count > 0 ? this.slots[from + 2] : Number.NaN;
      values[to + 3] = this.slots[from + 3] / count;
      counts[channel] = count;
      flags[channel] = this.slots[from + 5];
    }
    this.clear(slot);
    this.onPeriod({ time_s: period / periodsPerSecond, values, counts, flags });
  }

  private clear(slot: number): void {
    const base = slot * this.channels * fields;
    for (let at = base; at < base + this.channels * fields; at += fields) {
      this.slots[at] = Number.POSITIVE_INFINITY;
      this.slots[at + 1] = Number.NEGATIVE_INFINITY;
      this.slots[at + 2] = 0;
      this.slots[at + 3] = 0;
      this.slots[at + 4] = 0;
      this.slots[at + 5] = 0;
    }
  }
}

/** The accumulators of one period, and the columns of the block that go into them. */
interface Period {
  readonly slots: Float64Array;
  readonly base: number;
  readonly values: Float64Array;
  readonly columns: Int32Array;
}

/** Adds the runs of valid scans between `first` and `end`; most often that is all of them at once. */
function accumulateValid(into: Period, bits: Uint8Array, first: number, end: number): void {
  let from = first;
  let seen = 0;
  for (let i = first; i < end; i++) {
    seen |= bits[i];
    if ((bits[i] & quality.invalid) === 0) continue;
    if (i > from) accumulate(into, from, i);
    from = i + 1;
  }
  if (end > from) accumulate(into, from, end);
  if (seen !== 0) mark(into, seen);
}

/** Adds quality bits to the accumulators of every column. */
function mark({ slots, base, columns }: Period, seen: number): void {
  for (const channel of columns) {
    if (channel >= 0) slots[base + channel * fields + 5] |= seen;
  }
}

/** Adds scans `first` to `end` of every column to the accumulators at `base`. */
function accumulate({ slots, base, values, columns }: Period, first: number, end: number): void {
  const stride = columns.length;
  const stop = end * stride;
  for (let column = 0; column < stride; column++) {
    const channel = columns[column];
    if (channel < 0) continue;
    const at = base + channel * fields;
    let min = slots[at];
    let max = slots[at + 1];
    let sum = slots[at + 3];
    for (let k = first * stride + column; k < stop; k += stride) {
      const value = values[k];
      if (value < min) min = value;
      if (value > max) max = value;
      sum += value;
    }
    slots[at] = min;
    slots[at + 1] = max;
    slots[at + 2] = values[stop - stride + column];
    slots[at + 3] = sum;
    slots[at + 4] += end - first;
  }
}
