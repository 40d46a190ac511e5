/**
 * The instants of scans that a device counts by itself, on the recorder's clock, from when its count was read.
 *
 * A count of n that was put together between two instants says two things for sure: scan n - 1 was taken before the later one, and
 * scan n was not yet taken at the earlier one. With x = time by the device's own clock, its scans lie on a line between all
 * upper and all lower bounds. Pairs of them bound its slope, the drift, in the same way; so the half-width is no statistics
 * of how the readings fell, which for a few of them between the same two scans says nothing. What no bound can show is a
 * device that once stood still for less than the time of two scans.
 */
import { bin_s, binsKept, largestDrift, likelyDrift, type StreamClock } from '../serial-frames/clock.ts';
import { SlewedLag } from '../serial-frames/slewed-lag.ts';

/** Scans are not taken on the very instant, nor counted at once; clocks of this machine are read late. In s; judged, not measured. */
const allowance_s = 0.25e-3;

/** Make a new one after a restart. Instants are monotonic s. */
export class CountClock implements StreamClock {
  readonly period_s: number;
  readonly #firstIndex: number;
  readonly #origin_s: number;
  /** Bounds as (x, instant less x), the tightest of each bin. */
  readonly #upperX = new Float64Array(binsKept);
  readonly #upper = new Float64Array(binsKept);
  readonly #lowerX = new Float64Array(binsKept);
  readonly #lower = new Float64Array(binsKept);
  #used = 0;
  #bin = Number.NaN;
  #drift = 0;
  #leastDrift = -largestDrift;
  #mostDrift = largestDrift;
  /** No drift fits all bounds: the device stood still. So it is until they are forgotten. */
  #isRefuted = false;
  /** Between which the line lies at the x of the latest `#look`. */
  #least_s = 0;
  #most_s = 0;
  /** Bounds of the latest count, true whatever came before. */
  #newestX = 0;
  #newestUpper = 0;
  #newestLower = 0;
  readonly #published = new SlewedLag();

  /** As `observe`. */
  constructor(period_s: number, index: number, notAfter_s: number, notBefore_s: number) {
    this.period_s = period_s;
    this.#firstIndex = index;
    this.#origin_s = notAfter_s;
    this.observe(index, notAfter_s, notBefore_s);
  }

  get drift_ppm(): number {
    return this.#drift * 1e6;
  }

  get interval_s(): number {
    return this.period_s * (1 + this.#drift);
  }

  /** Learns that scan `index` was surely taken at or before `notAfter_s`, and the one behind it after `notBefore_s`. Indices must not fall. */
  observe(index: number, notAfter_s: number, notBefore_s: number): void {
    const { publishedAt } = this.#published;
    const isPublished = !Number.isNaN(publishedAt);
    const before_s = isPublished ? this.#residual_s(publishedAt) : 0;
    const x = this.#xOf(index);
    const next = x + this.period_s;
    const bin = Math.floor(x / bin_s);
    if (bin !== this.#bin) this.#begin(bin);
    const last = this.#used - 1;
    const upper = notAfter_s - this.#origin_s - x;
    const lower = notBefore_s - this.#origin_s - next;
    this.#newestX = x;
    this.#newestUpper = upper;
    this.#newestLower = lower;
    const isTighter = upper < this.#upper[last]! || lower > this.#lower[last]!;
    if (!isTighter) return;
    if (upper < this.#upper[last]!) {
      this.#upperX[last] = x;
      this.#upper[last] = upper;
    }
    if (lower > this.#lower[last]!) {
      this.#lowerX[last] = next;
      this.#lower[last] = lower;
    }
    this.#boundDrift();
    if (isPublished) this.#published.hold(this.#residual_s(publishedAt) - before_s);
  }

  estimate_s(index: number): number {
    const x = this.#xOf(index);
    return this.#origin_s + x + this.#residual_s(x);
  }

  publish_s(index: number): number {
    const x = this.#xOf(index);
    return this.#origin_s + x + this.#residual_s(x) + this.#published.publish_s(x);
  }

  notBefore(index: number, least_s: number): void {
    this.#published.raise(least_s - this.estimate_s(index));
  }

  halfWidth_s(index: number): number {
    const x = this.#xOf(index);
    const isHeld = this.#look(x);
    const doubt_s = isHeld ? (this.#most_s - this.#least_s) / 2 : this.#sinceNewest_s(x);
    return allowance_s + doubt_s + Math.abs(this.#published.lag_s);
  }

  /** How far the line may lie from its upper bound where that is refuted. */
  #sinceNewest_s(x: number): number {
    const reach_s = (Math.abs(x - this.#newestX) + this.period_s) * largestDrift;
    return Math.max(this.#newestUpper - this.#most_s, this.#most_s - this.#newestLower) + reach_s;
  }

  #xOf(index: number): number {
    return (index - this.#firstIndex) * this.period_s;
  }

  #begin(bin: number): void {
    this.#bin = bin;
    if (this.#used === binsKept) {
      for (const kept of [this.#upperX, this.#upper, this.#lowerX, this.#lower]) kept.copyWithin(0, 1);
      this.#used--;
    }
    this.#upper[this.#used] = Number.POSITIVE_INFINITY;
    this.#lower[this.#used++] = Number.NEGATIVE_INFINITY;
  }

  /** Instant less x. Where bounds contradict one another its scans are later than they were to be: that shows in the upper one. */
  #residual_s(x: number): number {
    return this.#look(x) ? (this.#least_s + this.#most_s) / 2 : this.#most_s;
  }

  /** Finds the bounds at x; false when they contradict one another. */
  #look(x: number): boolean {
    let least_s = Number.NEGATIVE_INFINITY;
    let most_s = Number.POSITIVE_INFINITY;
    const least = this.#leastDrift;
    const most = this.#mostDrift;
    for (let i = 0; i < this.#used; i++) {
      const up = x - this.#upperX[i]!;
      const low = x - this.#lowerX[i]!;
      most_s = Math.min(most_s, this.#upper[i]! + up * (up > 0 ? most : least));
      least_s = Math.max(least_s, this.#lower[i]! + low * (low > 0 ? least : most));
    }
    this.#least_s = least_s;
    this.#most_s = most_s;
    return !this.#isRefuted && least_s <= most_s;
  }

  /** The drifts with which a line stays between the bounds; the estimate is one of the likely ones where there are any. */
  #boundDrift(): void {
    let least = -largestDrift;
    let most = largestDrift;
    for (let i = 0; i < this.#used; i++) {
      for (let k = 0; k < this.#used; k++) {
        const run = this.#lowerX[k]! - this.#upperX[i]!;
        const rise = this.#lower[k]! - this.#upper[i]! - allowance_s;
        if (run > 0) least = Math.max(least, rise / run);
        else if (run < 0) most = Math.min(most, rise / run);
      }
    }
    this.#isRefuted = least > most;
    if (this.#isRefuted) {
      this.#leastDrift = -largestDrift;
      this.#mostDrift = largestDrift;
      return;
    }
    this.#leastDrift = least;
    this.#mostDrift = most;
    const isLikely = least <= likelyDrift && most >= -likelyDrift;
    this.#drift = isLikely
      ? (Math.max(least, -likelyDrift) + Math.min(most, likelyDrift)) / 2
      : (least + most) / 2;
  }
}
