/**
 * The instants of a converter's scans on the recorder's clock, learnt from when its frames arrive.
 *
 * A frame can arrive late (a busy event loop, a USB latency timer), never early. So the earliest arrivals tell the truth:
 * with x = time by the converter's own clock and r = arrival - x, all points (x, r) lie on or above the line
 * r = offset + drift x. The line wanted touches them from below and has the smallest mean distance to them: an edge of the lower convex
 * hull (Moon, Skelly, Towsley, "Estimation and removal of clock skew from network delay measurements", 1999, pose the same
 * linear programme; from memory). Minima of quarter seconds stand for the arrivals, so the cost does not grow with the rate.
 */
import { SlewedLag } from './slewed-lag.ts';

/** Of so much of a device's time, in s, only what says most is kept. */
export const bin_s = 0.25;
/** So many of them are kept: half a minute follows a crystal that warms up and still averages 0.1 ms of jitter to a few ppm. */
export const binsKept = 128;
/** Drift that is likely before anything is known, as a ratio: a cheap crystal, hot or cold. */
export const likelyDrift = 300e-6;
/** Drift beyond this is not a clock, as a ratio; ceramic resonators reach half of it. */
export const largestDrift = 0.01;
/**
 * When the least of so many minima, the newest, is late, nothing says whether reads were late or the converter stood still, or lost scans
 * without counting them: either is inside the half-width. A second of reads that are all late by a reader's fault is rare.
 */
const standingBins = 4;
/** Least delay from the wire to a read, never visible in arrivals: kernel, adapter, wake-up. In s; judged, not measured. */
const unseenDelay_s = 0.25e-3;
/** The least of n delays exceeds 16 / n of their mean with a chance of e^-8 if they are spread evenly, e^-16 if exponentially. */
const minimumMargin = 16;
/** Mean delay assumed of the first arrival, in s: a loop that is somewhat busy. Its weight fades with their number. */
const likelyDelay_s = 4e-3;

/** Instants of numbered scans on the recorder's monotonic clock, estimated from their arrival. */
export interface StreamClock {
  /** Spacing of scans by the converter's own clock, in s. */
  readonly period_s: number;
  /** Drift of the converter's clock in parts per million; positive: its second is longer than the recorder's. */
  readonly drift_ppm: number;
  /** Spacing of scans on the recorder's clock, in s. */
  readonly interval_s: number;
  /**
   * Learns that scan `index` was surely taken at or before `notAfter_s`, and the one behind it after `notBefore_s`, where
   * that is known (else -Infinity). Indices must not fall.
   */
  observe(index: number, notAfter_s: number, notBefore_s: number): void;
  /** Best estimate of a scan's instant on the recorder's clock, in s; may step as more is learnt. */
  estimate_s(index: number): number;
  /**
   * Published instant of a scan on the recorder's clock, in s. Asked in rising order the instants rise, too:
   * corrections are spread over time and stand in `halfWidth_s` meanwhile.
   */
  publish_s(index: number): number;
  /** Publishes scan `index`, the first one asked for, not before `least_s`. The shift stands in `halfWidth_s` and fades. */
  notBefore(index: number, least_s: number): void;
  /** Half-width of the interval round a published instant that holds the true one, in s. */
  halfWidth_s(index: number): number;
}

/** Offset and drift of one converter clock against the recorder's monotonic clock. Make a new one after a restart. */
export class ScanClock implements StreamClock {
  readonly period_s: number;
  readonly #firstIndex: number;
  readonly #origin_s: number;
  readonly #x = new Float64Array(binsKept);
  readonly #r = new Float64Array(binsKept);
  readonly #sum = new Float64Array(binsKept);
  readonly #count = new Float64Array(binsKept);
  readonly #hull = new Int32Array(binsKept);
  readonly #excess = new Float64Array(binsKept);
  #used = 0;
  #bin = -1;
  #offset_s = 0;
  #drift = 0;
  #driftHalfWidth = likelyDrift;
  #slack_s = 0;
  #witness_s = 0;
  #witnessExcess_s = 0;
  readonly #published = new SlewedLag();

  /** `index` is the running index of a scan that surely was taken at or before `arrival_s`. */
  constructor(period_s: number, index: number, arrival_s: number) {
    this.period_s = period_s;
    this.#firstIndex = index;
    this.#origin_s = arrival_s;
    this.observe(index, arrival_s);
  }

  get drift_ppm(): number {
    return this.#drift * 1e6;
  }

  get interval_s(): number {
    return this.period_s * (1 + this.#drift);
  }

  /**
   * Learns that scan `index` was taken at or before `arrival_s` (arrival less the known delays), as the last scan of the last frame of a read.
   * Indices must not fall.
   */
  observe(index: number, arrival_s: number): void {
    const x = (index - this.#firstIndex) * this.period_s;
    const r = arrival_s - this.#origin_s - x;
    const bin = Math.floor(x / bin_s);
    const isNew = bin !== this.#bin;
    if (isNew) {
      if (this.#used > 0) this.#fit();
      if (this.#used === binsKept) this.#dropOldest();
      this.#bin = bin;
      this.#x[this.#used] = x;
      this.#r[this.#used] = r;
      this.#sum[this.#used] = 0;
      this.#count[this.#used++] = 0;
    }
    const last = this.#used - 1;
    if (r < this.#r[last]) {
      this.#x[last] = x;
      this.#r[last] = r;
    }
    this.#sum[last] += r;
    this.#count[last]++;
    // An arrival below the line refutes it at once; before the second minimum every arrival counts.
    if (last === 0 || r < this.#offset_s + this.#drift * x) this.#fit();
  }

  estimate_s(index: number): number {
    const x = (index - this.#firstIndex) * this.period_s;
    return this.#origin_s + x + this.#offset_s + this.#drift * x;
  }

  publish_s(index: number): number {
    const x = (index - this.#firstIndex) * this.period_s;
    return this.estimate_s(index) + this.#published.publish_s(x);
  }

  notBefore(index: number, least_s: number): void {
    this.#published.raise(least_s - this.estimate_s(index));
  }

  halfWidth_s(index: number): number {
    const x = (index - this.#firstIndex) * this.period_s;
    const reach_s = Math.abs(x - this.#witness_s);
    const below_s = this.#witnessExcess_s + reach_s * this.#driftHalfWidth;
    return unseenDelay_s + this.#slack_s + below_s + this.#standing_s() + Math.abs(this.#published.lag_s);
  }

  /** By how much all newest reads were late, in s. */
  #standing_s(): number {
    let least_s = Number.POSITIVE_INFINITY;
    for (let i = Math.max(0, this.#used - standingBins); i < this.#used; i++)
      least_s = Math.min(least_s, this.#r[i] - this.#offset_s - this.#drift * this.#x[i]);
    return least_s;
  }

  /** The minimum that says best how far the line may lie under the truth now: low over the line, and recent. */
  #findWitness(): void {
    const last_s = this.#x[this.#used - 1];
    let best_s = Number.POSITIVE_INFINITY;
    for (let i = 0; i < this.#used; i++) {
      const excess_s = this.#r[i] - this.#offset_s - this.#drift * this.#x[i];
      const doubt_s = excess_s + (last_s - this.#x[i]) * this.#driftHalfWidth;
      if (doubt_s >= best_s) continue;
      best_s = doubt_s;
      this.#witness_s = this.#x[i];
      this.#witnessExcess_s = excess_s;
    }
  }

  #dropOldest(): void {
    for (const kept of [this.#x, this.#r, this.#sum, this.#count]) kept.copyWithin(0, 1);
    this.#used--;
  }

  #fit(): void {
    const x = this.#x;
    const r = this.#r;
    const used = this.#used;
    const { publishedAt } = this.#published;
    const before = this.#offset_s + this.#drift * publishedAt;
    let total = 0;
    let count = 0;
    let mean_s = 0;
    for (let i = 0; i < used; i++) {
      total += this.#sum[i];
      count += this.#count[i];
      mean_s += x[i] / used;
    }
    const [left, right] = this.#edgeUnder(mean_s);
    const raw = right > left ? (r[right] - r[left]) / (x[right] - x[left]) : 0;
    // Noisy minima over a short time say less than what crystals are like.
    const noise_s = this.#medianExcess(raw, r[left] - raw * x[left]);
    const span_s = x[used - 1] - x[0];
    const doubt = span_s > 0 ? (noise_s + unseenDelay_s / 5) / span_s : Number.POSITIVE_INFINITY;
    const trust = likelyDrift ** 2 / (likelyDrift ** 2 + doubt ** 2);
    this.#drift = Math.max(-largestDrift, Math.min(largestDrift, raw)) * trust;
    let offset_s = Number.POSITIVE_INFINITY;
    for (let i = 0; i < used; i++) offset_s = Math.min(offset_s, r[i] - this.#drift * x[i]);
    this.#offset_s = offset_s;
    this.#driftHalfWidth = likelyDrift * (1 - trust) + Math.min(likelyDrift, 2 * doubt) * trust;
    this.#findWitness();
    const meanExcess_s = count > 0 ? Math.max(0, total / count - offset_s - this.#drift * mean_s) : 0;
    const arrivals = Math.max(1, count);
    this.#slack_s =
      (minimumMargin * (meanExcess_s + likelyDelay_s / arrivals)) / arrivals +
      2 * this.#medianExcess(this.#drift, offset_s);
    if (!Number.isNaN(publishedAt)) {
      this.#published.hold(this.#offset_s + this.#drift * publishedAt - before);
    }
  }

  /** The edge of the lower convex hull of the minima that spans `at_s`: its two ends (equal with one point). */
  #edgeUnder(at_s: number): [number, number] {
    const x = this.#x;
    const r = this.#r;
    const hull = this.#hull;
    let size = 0;
    for (let i = 0; i < this.#used; i++) {
      while (size >= 2) {
        const a = hull[size - 2];
        const b = hull[size - 1];
        if ((x[b] - x[a]) * (r[i] - r[a]) - (r[b] - r[a]) * (x[i] - x[a]) > 0) break;
        size--;
      }
      hull[size++] = i;
    }
    let edge = 1;
    while (edge < size - 1 && x[hull[edge]] < at_s) edge++;
    return size < 2 ? [0, 0] : [hull[edge - 1], hull[edge]];
  }

  /** Median height of the minima over a line; of few minima the largest, as one half of them may touch the line. */
  #medianExcess(drift: number, offset_s: number): number {
    const used = this.#used;
    for (let i = 0; i < used; i++) this.#excess[i] = this.#r[i] - offset_s - drift * this.#x[i];
    const sorted = this.#excess.subarray(0, used).sort();
    return sorted[used < 4 ? used - 1 : used >> 1];
  }
}
