/** A sink that keeps everything, checks the contract of blocks as they come, and lets a test wait for conditions. */
import type { Driver, DriverSink, GroupSpec, LinkState, RawBlock } from '../../drivers/driver.ts';

export class RememberingSink implements DriverSink {
  readonly blocks: RawBlock[] = [];
  readonly states: LinkState[] = [];
  /** Breaches of the contract of `RawBlock`, in words. */
  readonly breaches: string[] = [];
  readonly #groups: readonly GroupSpec[];
  readonly #next: number[];
  readonly #end_s: number[];
  #checks: (() => void)[] = [];

  constructor(driver: Driver) {
    this.#groups = driver.groups;
    this.#next = driver.groups.map(() => -1);
    this.#end_s = driver.groups.map(() => Number.NEGATIVE_INFINITY);
  }

  /** The latest state; undefined before the first. */
  get last(): LinkState | undefined {
    return this.states.at(-1);
  }

  block(block: RawBlock): void {
    this.blocks.push(block);
    this.#inspect(block);
    this.#check();
  }

  state(state: LinkState): void {
    this.states.push(state);
    this.#check();
  }

  /** Resolves as soon as `isDone` says so after some call of the driver. */
  until(isDone: () => boolean): Promise<void> {
    return new Promise((resolve) => {
      const check = (): void => {
        if (!isDone()) return;
        this.#checks = this.#checks.filter((other) => other !== check);
        resolve();
      };
      this.#checks.push(check);
      check();
    });
  }

  #check(): void {
    for (const check of this.#checks) check();
  }

  #inspect(block: RawBlock): void {
    const group = this.#groups[block.group];
    const expect = (isRight: boolean, what: string): void => {
      if (!isRight) this.breaches.push(`block ${this.blocks.length - 1} of group ${block.group}: ${what}`);
    };
    if (group === undefined) {
      expect(false, 'no such group');
      return;
    }
    const next = this.#next[block.group];
    const { scan, scans, time_s, interval_s, halfWidth_s, lostBefore, raw, quality } = block;
    expect(Number.isInteger(scans) && scans >= 1, `scans is ${scans}`);
    expect(Number.isInteger(lostBefore) && lostBefore >= 0, `lostBefore is ${lostBefore}`);
    expect(next < 0 || scan === next + lostBefore, `scan ${scan} after ${next} with ${lostBefore} lost`);
    expect(raw.length === scans * group.channels.length, `${raw.length} numbers for ${scans} scans`);
    expect(
      raw instanceof (group.encoding === 'i32' ? Int32Array : Float64Array),
      `numbers are not ${group.encoding}`,
    );
    expect(raw.every(Number.isFinite), 'a number is not finite');
    expect(quality.length === scans, `${quality.length} quality bytes for ${scans} scans`);
    expect(Number.isFinite(time_s) && time_s > this.#end_s[block.group], `time ${time_s} does not rise`);
    expect(scans === 1 || interval_s > 0, `interval is ${interval_s}`);
    expect(halfWidth_s >= 0 && Number.isFinite(halfWidth_s), `half-width is ${halfWidth_s}`);
    this.#next[block.group] = scan + scans;
    this.#end_s[block.group] = time_s + (scans > 1 ? (scans - 1) * interval_s : 0);
  }
}
