/** Feeds a recorder with one trip after the other, faster than real time. */
import { monotonic_s } from '../../drivers/driver.ts';
import { blockOf, ordinaryTrip, type PushedDriver, tripScene } from './recorder-rig.ts';

/** Scan spacing of the feed, in s. */
export const feedInterval_s = 0.002;
/** Length of one trip with its fill before and its rest after, in s of the record. */
const period_s = 7;
const scans = 25;

/** Trips with an ordinary slam, 7 s apart in the record, on a clock that begins at the real one and then runs ahead. */
export class TripFeed {
  private readonly driver: PushedDriver;
  private readonly start_s = monotonic_s();
  private scan = 0;

  constructor(driver: PushedDriver) {
    this.driver = driver;
  }

  /** Pushes so many seconds of the record at once. */
  push(duration_s: number): void {
    const end = this.scan + Math.round(duration_s / feedInterval_s);
    while (this.scan < end) {
      const block = blockOf(scene, 0, this.scan, scans, feedInterval_s);
      this.driver.sink?.block({ ...block, time_s: this.start_s + block.time_s });
      this.scan += scans;
    }
  }

  /** Pushes one whole trip. */
  pushTrip(): void {
    this.push(period_s);
  }
}

const one = tripScene(ordinaryTrip);
const scene = (time_s: number) => one(time_s % period_s);
