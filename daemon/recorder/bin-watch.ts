/** Samples of one channel gathered into short bins; what detection looks at instead of single samples. */

/** Bins a second of a fast group: 5 ms each, a quarter of a 50 Hz period. */
export const binsPerSecond = 200;

export abstract class BinWatch {
  /** Middle of the channel's dead time, in s: what a bin holds happened so long before its time stamps. */
  readonly late_s: number;
  private sum = 0;
  private min = Number.POSITIVE_INFINITY;
  private max = Number.NEGATIVE_INFINITY;
  private gathered = 0;

  constructor(late_s = 0) {
    this.late_s = late_s;
  }

  /** Adds samples `first` to `end` of a column of calibrated scans. */
  gather(values: Float64Array, column: number, stride: number, first: number, end: number): void {
    let { sum, min, max } = this;
    const stop = end * stride;
    for (let k = first * stride + column; k < stop; k += stride) {
      const value = values[k];
      sum += value;
      if (value < min) min = value;
      if (value > max) max = value;
    }
    this.sum = sum;
    this.min = min;
    this.max = max;
    this.gathered += end - first;
  }

  /** Ends the bin whose newest time stamp is `end_s`. Its value is the mean without the two extremes, so that one spike does not count. */
  finish(end_s: number): void {
    const { sum, min, max, gathered } = this;
    if (gathered === 0) return;
    this.sum = 0;
    this.min = Number.POSITIVE_INFINITY;
    this.max = Number.NEGATIVE_INFINITY;
    this.gathered = 0;
    this.take(gathered >= 4 ? (sum - min - max) / (gathered - 2) : sum / gathered, end_s - this.late_s);
  }

  /** Forgets what it knew: samples are missing. */
  abstract reset(): void;

  /** One finished bin, in SI; `end_s` is when it happened. */
  protected abstract take(value: number, end_s: number): void;
}
