/**
 * What the pressure behind a check valve tells while it happens: that the drive is gone (a knee), that the line surges,
 * that the valve has seated, that it is quiet again. Only good enough to open and close an event: the numbers of a
 * verdict come from the analysis.
 *
 * Levels are compared as means over two adjacent halves of 10 ms, and both must agree: a 50 Hz hum has opposite signs in
 * them, a spike falls into one.
 */
import { BinWatch } from './bin-watch.ts';

/** A trip slows the column by more than this within the comparison, in m/s2; throttling by hand does not. */
const knee_mps2 = 2;
/** Smallest fall that counts as a knee, in Pa. */
const knee_Pa = 6_000;
/** Change within 10 ms that begins a surge, in Pa, and as a change of the column's acceleration, in m/s2. A direct start
 * lifts the outlet by bars, but over a tenth of a second and more. */
const surge_Pa = 80_000;
const surge_mps2 = 1.5;
/** A surge still moves the pressure so long afterwards, in s; spikes do not. */
const surge_s = 0.15;
/** Bins in a row at the old level after which a jump was a spike. */
const spikeOver = 3;
/** Smallest lasting rise that counts as seating, in Pa. */
const seating_Pa = 15_000;
/** Smallest swing that counts as ringing, in Pa. */
const ringing_Pa = 2_000;
/** The static level is fitted until about 1.7 s after seating: no event closes earlier. */
const settling_s = 1.7;

const ringBins = 128;

export class PressureWatch extends BinWatch {
  /** Estimated instant of a knee found by the last bin; NaN when there was none. */
  knee_s = Number.NaN;
  /** Instant of a surge found by the last bin; NaN when there was none. */
  surge_s = Number.NaN;
  /** Since the trip: instant of seating by this channel alone, NaN until then. */
  seated_s = Number.NaN;
  /** Since the trip: the pressure fell, so this leg was flowing. */
  hasFallen = false;
  /** End of the newest bin, in s. */
  last_s = Number.NEGATIVE_INFINITY;

  private readonly width_s: number;
  /** Numbers of bins: half of a comparison, distance to the reference, its length, arming, swing window. */
  private readonly half: number;
  private readonly lag: number;
  private readonly length: number;
  private readonly calm: number;
  private readonly swingBins: number;
  private readonly kneeFall_Pa: number;
  private readonly surgeStep_Pa: number;
  private readonly surgeWindow: number;
  private readonly bins = new Float64Array(ringBins);
  private readonly sorted: Float64Array;
  private count = 0;
  private referenceSum = 0;
  /** Mean and variance of the slow movement over the comparison (a tank that fills), and of the steps between bins. */
  private drift = 0;
  private driftVariance = 0;
  private stepVariance = 0;
  private calmBins = 0;
  private learned = 0;
  private surgeBegin_s = Number.NaN;
  private surgeLevel = 0;
  private surgeBins = 0;
  private surgeLeft = 0;
  private stillBins = 0;
  /** Bins in a row that lie again where the surge began. */
  private backBins = 0;
  /** Where a reading jumped to and has not moved since; NaN while it lives. */
  private stuckAt = Number.NaN;
  private recovering = 0;
  private isOpen = false;
  private trip_s = 0;
  private levelAtTrip = 0;
  private rise: { at_s: number; before: number; sum: number; bins: number } | null = null;
  private swingMin = Number.POSITIVE_INFINITY;
  private swingMax = Number.NEGATIVE_INFINITY;
  private swingCount = 0;
  private quietSince_s = Number.NaN;
  private calmSwing_Pa = 0;

  /** `columnMass` = density x length of the leg, in kg/m2: pressure per deceleration. `late_s`: dead time of the channel. */
  constructor(nominalInterval_s: number, columnMass_kgpm2: number, width_s: number, late_s = 0) {
    super(late_s);
    this.width_s = Math.max(width_s, nominalInterval_s);
    const bins = (time_s: number) => Math.max(1, Math.round(time_s / this.width_s));
    this.half = bins(0.01);
    this.lag = Math.max(2 * this.half, bins(0.04));
    this.length = Math.max(5, bins(0.1));
    this.calm = bins(0.8);
    this.swingBins = Math.max(4, bins(0.3));
    this.kneeFall_Pa = Math.max(knee_Pa, knee_mps2 * columnMass_kgpm2);
    // Slow channels compare over more than 10 ms: they must see a larger change before it is sudden.
    const slowness = Math.max(1, (this.half * this.width_s) / 0.01);
    this.surgeStep_Pa = slowness * Math.max(surge_Pa, surge_mps2 * columnMass_kgpm2);
    this.surgeWindow = bins(surge_s);
    this.sorted = new Float64Array(this.length);
  }

  override reset(): void {
    this.count = 0;
    this.referenceSum = 0;
    this.calmBins = 0;
    this.surgeLeft = 0;
    this.rise = null;
    this.clearSwing();
  }

  /** True while a fall would be believed: calm for most of the last 0.8 s. */
  get isArmed(): boolean {
    return this.calmBins > 0.75 * this.calm;
  }

  /** Starts the watch for seating. */
  openEvent(trip_s: number): void {
    this.isOpen = true;
    this.trip_s = trip_s;
    this.seated_s = Number.NaN;
    this.hasFallen = false;
    this.levelAtTrip = this.count > this.lag + this.length ? this.referenceSum / this.length : this.bin(0);
    this.calmBins = 0;
    this.rise = null;
    this.clearSwing();
  }

  closeEvent(): void {
    this.isOpen = false;
    this.rise = null;
    this.surgeLeft = 0;
  }

  /** The instant at which the pressure swung no more than before the trip, long enough after `seated_s`; NaN until then. */
  settled_s(seated_s: number): number {
    const from_s = Math.max(seated_s + settling_s, this.quietSince_s);
    return this.last_s >= from_s ? from_s : Number.NaN;
  }

  protected override take(value: number, end_s: number): void {
    const { lag, length, half } = this;
    this.knee_s = Number.NaN;
    this.surge_s = Number.NaN;
    this.last_s = end_s;
    const step = this.count > 0 ? value - this.bin(0) : 0;
    this.bins[this.count % ringBins] = value;
    this.count++;
    this.watchSwing(value, end_s);
    if (this.count > lag + length) {
      // The reference slides: one bin enters, one leaves.
      this.referenceSum += this.bin(lag) - this.bin(lag + length);
    } else {
      if (this.count > lag) this.referenceSum += this.bin(lag);
      return;
    }
    const newer = this.meanOf(0, half);
    const older = this.meanOf(half, half);
    const reference = this.referenceSum / length;
    this.compare((newer + older) / 2 - reference, step);
    if (this.isOpen) this.watchEvent(value, newer, end_s);
    this.watchKnee(newer, older, reference, end_s);
    this.watchSurge(value, end_s);
  }

  /** The bin `back` bins ago; 0 = the newest. */
  private bin(back: number): number {
    return this.bins[(this.count - 1 - back) % ringBins];
  }

  private meanOf(back: number, bins: number): number {
    let sum = 0;
    for (let k = back; k < back + bins; k++) sum += this.bin(k);
    return sum / bins;
  }

  private get limit_Pa(): number {
    return Math.max(this.kneeFall_Pa, 6 * Math.sqrt(this.driftVariance));
  }

  /** Learns what is usual while nothing happens. */
  private compare(difference: number, step: number): void {
    // A plain mean at first, then one that forgets within about a second.
    const share = Math.max(Math.min(0.1, this.width_s), 1 / (this.learned + 1));
    const off = difference - this.drift;
    if (Math.abs(off) < this.limit_Pa / 2) {
      this.learned++;
      this.drift += share * off;
      this.driftVariance += share * (off * off - this.driftVariance);
      this.stepVariance += share * (step * step - this.stepVariance);
      if (this.calmBins < this.calm) this.calmBins++;
    } else {
      this.calmBins = Math.max(0, this.calmBins - 4);
      // Otherwise a new steady rate of filling would never become usual.
      this.drift += 0.2 * share * off;
    }
  }

  private watchKnee(newer: number, older: number, reference: number, end_s: number): void {
    const usual = reference + this.drift;
    const limit = this.limit_Pa;
    if (Math.min(newer, older) > usual + limit) this.calmBins = 0;
    // A fall that grows: the newer half all of the limit, the older at least half of it.
    const nearest = Math.max(newer, older - limit / 2);
    // The cheap comparison first: the median costs a sort.
    if (nearest > usual - limit || this.calmBins <= 0.75 * this.calm) return;
    const level = this.medianReference() + this.drift;
    if (nearest > level - limit) return;
    const half_s = this.half * this.width_s;
    const slope = Math.min(-1, (newer - older) / half_s);
    const back_s = Math.min(0.04, Math.max(0, (older - level) / slope));
    this.knee_s = end_s - 1.5 * half_s - back_s;
    this.calmBins = 0;
  }

  private medianReference(): number {
    for (let k = 0; k < this.length; k++) this.sorted[k] = this.bin(this.lag + k);
    this.sorted.sort();
    return (this.sorted[(this.length - 1) >> 1] + this.sorted[this.length >> 1]) / 2;
  }

  /**
   * A surge is a sudden change after which a third of the next 0.15 s is far from where it began. A reading that jumps
   * and then does not move by a single converter step is a dead sensor or a failed loop: neither that jump nor the one
   * back is a surge.
   */
  private watchSurge(value: number, end_s: number): void {
    const limit_Pa = Math.max(this.surgeStep_Pa, 8 * Math.sqrt(this.stepVariance));
    if (this.learned < this.calm / 2) return;
    if (!Number.isNaN(this.stuckAt)) {
      if (value === this.stuckAt) return;
      this.stuckAt = Number.NaN;
      this.recovering = this.half + 2;
    }
    if (this.recovering > 0) {
      this.recovering--;
      return;
    }
    if (this.surgeLeft === 0) {
      const before = this.bin(this.half);
      if (Math.abs(value - before) < limit_Pa) return;
      // Back where it was before the last few bins: the end of a spike, not the beginning of a surge.
      if (Math.abs(value - this.bin(this.half + spikeOver)) < limit_Pa / 4) return;
      this.surgeLeft = this.surgeWindow;
      this.surgeBegin_s = end_s - this.width_s;
      this.surgeLevel = before;
      this.surgeBins = 0;
      this.stillBins = 0;
      this.backBins = 0;
    }
    this.surgeLeft--;
    const far_Pa = Math.abs(value - this.surgeLevel);
    // Waves pass their old level; only after a spike does the pressure stay there. The next spike begins anew.
    this.backBins = far_Pa < limit_Pa / 4 ? this.backBins + 1 : 0;
    if (this.backBins === spikeOver) this.surgeLeft = 0;
    if (far_Pa < limit_Pa / 2) return;
    this.surgeBins++;
    if (value === this.bin(1)) this.stillBins++;
    const needed = Math.max(4, Math.ceil(this.surgeWindow / 3));
    if (this.surgeBins !== needed) return;
    // The bin of the jump itself may mix both levels.
    if (this.stillBins < needed - 2) this.surge_s = this.surgeBegin_s;
    else {
      this.stuckAt = value;
      this.surgeLeft = 0;
    }
  }

  private watchEvent(value: number, newer: number, end_s: number): void {
    if (newer < this.levelAtTrip - this.limit_Pa / 2) this.hasFallen = true;
    if (!Number.isNaN(this.seated_s) || end_s < this.trip_s + 0.05) return;
    this.confirmRise(value, end_s);
    if (this.rise !== null || !Number.isNaN(this.seated_s)) return;
    const before = Math.min(this.bin(1), this.bin(2), this.bin(3));
    if (value - before > Math.max(seating_Pa, 8 * Math.sqrt(this.stepVariance))) {
      this.rise = { at_s: end_s - this.width_s, before: (this.bin(2) + this.bin(3)) / 2, sum: 0, bins: 0 };
    }
  }

  /** A rise is the seating when the mean over the 0.3 s after it stays above what was before. */
  private confirmRise(value: number, end_s: number): void {
    const { rise } = this;
    if (rise === null) return;
    rise.sum += value;
    rise.bins++;
    if (end_s < rise.at_s + 0.3) return;
    if (rise.sum / rise.bins > rise.before + seating_Pa) this.seated_s = rise.at_s;
    this.rise = null;
  }

  private watchSwing(value: number, end_s: number): void {
    if (value < this.swingMin) this.swingMin = value;
    if (value > this.swingMax) this.swingMax = value;
    this.swingCount++;
    if (this.swingCount < this.swingBins) return;
    const swing_Pa = this.swingMax - this.swingMin;
    this.startSwing();
    if (!this.isOpen) {
      // A running mean of the last few windows: the trip itself has no time to enter.
      this.calmSwing_Pa += 0.3 * (swing_Pa - this.calmSwing_Pa);
    } else if (swing_Pa > 1.5 * this.calmSwing_Pa + ringing_Pa) {
      this.quietSince_s = Number.NaN;
    } else if (Number.isNaN(this.quietSince_s)) {
      this.quietSince_s = end_s;
    }
  }

  private startSwing(): void {
    this.swingCount = 0;
    this.swingMin = Number.POSITIVE_INFINITY;
    this.swingMax = Number.NEGATIVE_INFINITY;
  }

  private clearSwing(): void {
    this.startSwing();
    this.quietSince_s = Number.NaN;
  }
}
