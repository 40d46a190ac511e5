/** Meter, disc position and tank pressure as far as detection needs them. */
import { BinWatch } from './bin-watch.ts';

/** Velocity that counts as flowing: below it a trip gives nothing that could be measured. */
const flowing_mps = 0.25;
/** Velocity that counts as standing still. */
const resting_mps = 0.05;
/** Opening below which a disc counts as shut. */
const shut_ratio = 0.02;

/** A meter, in m/s (`area_m2` turns a flow into one; 1 for a velocity meter). */
export class MeterWatch extends BinWatch {
  /** Latest velocity, in m/s. */
  velocity_mps = Number.NaN;
  last_s = Number.NEGATIVE_INFINITY;
  /** When the line last flowed, either way, in s. */
  lastFlowing_s = Number.NEGATIVE_INFINITY;
  /** Since when it stands still, in s; Infinity while it flows. */
  restingSince_s = Number.POSITIVE_INFINITY;
  private readonly area_m2: number;

  constructor(area_m2: number, late_s = 0) {
    super(late_s);
    this.area_m2 = area_m2;
  }

  override reset(): void {
    this.restingSince_s = Number.POSITIVE_INFINITY;
  }

  protected override take(value: number, end_s: number): void {
    const size_mps = Math.abs(value / this.area_m2);
    this.velocity_mps = value / this.area_m2;
    this.last_s = end_s;
    if (size_mps > flowing_mps) this.lastFlowing_s = end_s;
    if (size_mps > resting_mps) this.restingSince_s = Number.POSITIVE_INFINITY;
    else if (end_s < this.restingSince_s) this.restingSince_s = end_s;
  }
}

/** A disc position, 0 shut to 1 open. */
export class PositionWatch extends BinWatch {
  /** Since when the disc is shut, in s; Infinity while it is open. */
  shutSince_s = Number.POSITIVE_INFINITY;

  override reset(): void {
    this.shutSince_s = Number.POSITIVE_INFINITY;
  }

  protected override take(value: number, end_s: number): void {
    if (value > shut_ratio) this.shutSince_s = Number.POSITIVE_INFINITY;
    else if (end_s < this.shutSince_s) this.shutSince_s = end_s;
  }
}
