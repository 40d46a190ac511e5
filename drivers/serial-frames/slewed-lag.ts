/** Published times that follow an estimate without ever stepping: how far they are from it. Of one device's clock. */

/** Published times move towards a new estimate by at most this share of elapsed time. */
const slew = 0.005;

/** `x` is time by the device's clock in s. */
export class SlewedLag {
  #lag_s = 0;
  #publishedAt = Number.NaN;

  /** Published less estimated time, in s. */
  get lag_s(): number {
    return this.#lag_s;
  }

  /** Where a time was published last; NaN before the first. */
  get publishedAt(): number {
    return this.#publishedAt;
  }

  /** The lag with which the time of `x` is published; on the way there it has shrunk as fast as it may. */
  publish_s(x: number): number {
    const step_s = Number.isNaN(this.#publishedAt) ? 0 : Math.max(0, x - this.#publishedAt) * slew;
    this.#lag_s = Math.sign(this.#lag_s) * Math.max(0, Math.abs(this.#lag_s) - step_s);
    this.#publishedAt = x;
    return this.#lag_s;
  }

  /** The estimate has moved by `change_s` where a time was published last: published times stay where they are. */
  hold(change_s: number): void {
    this.#lag_s -= change_s;
  }

  /** Published times are to lie `least_s` over the estimate at least. */
  raise(least_s: number): void {
    this.#lag_s = Math.max(this.#lag_s, least_s);
  }
}
