/**
 * A clock that stands still while anything is being done and then steps to the next timer: hours pass in minutes, and nothing is
 * ever late. For one process that holds all that is timed, joined by lines in memory (`virtual-rig/memory-lines.ts`).
 *
 *   const clock = new SimulatedClock({ monotonic_s: 1000, wall_ms: Date.UTC(2026, 0, 1) });
 *   await clock.run(3600);             // an hour, or until `stop`
 */
import { type Clock, type ClockTimer, sleepOn } from '../drivers/clock.ts';
import { type Due, DueQueue } from './due-queue.ts';

export interface ClockStart {
  readonly monotonic_s: number;
  readonly wall_ms: number;
}

class SimulatedTimer implements ClockTimer, Due {
  at_s: number;
  order: number;
  readonly call: () => void;
  /** Null: calls once. */
  readonly period_s: number | null;
  isCleared = false;

  constructor(at_s: number, order: number, period_s: number | null, call: () => void) {
    this.at_s = at_s;
    this.order = order;
    this.period_s = period_s;
    this.call = call;
  }

  unref(): void {
    // Nobody's process is kept alive by a simulated timer.
  }
}

export class SimulatedClock implements Clock {
  readonly isExact = true;
  readonly #queue = new DueQueue<SimulatedTimer>();
  #now_s: number;
  /** Wall time when the monotonic clock reads 0, in ms. */
  #wall_ms: number;
  #order = 0;
  #isStopped = false;
  /** Work under way that the system does not list, such as compression. */
  #held = 0;

  constructor({ monotonic_s, wall_ms }: ClockStart) {
    this.#now_s = monotonic_s;
    this.#wall_ms = wall_ms - monotonic_s * 1000;
  }

  // Fields and not methods: they are handed on alone.
  readonly monotonic_s = (): number => this.#now_s;

  readonly wall_ms = (): number => Math.round(this.#wall_ms + this.#now_s * 1000);

  readonly setTimeout = (call: () => void, delay_ms: number): ClockTimer =>
    this.#set(Math.max(0, delay_ms) / 1000, null, call);

  /** A period below a microsecond would hold the clock for ever, so there is none. */
  readonly setInterval = (call: () => void, period_ms: number): ClockTimer => {
    const period_s = Math.max(1e-6, period_ms / 1000);
    return this.#set(period_s, period_s, call);
  };

  readonly clear = (timer: ClockTimer | null): void => {
    if (timer instanceof SimulatedTimer) timer.isCleared = true;
  };

  readonly sleep = (time_s: number, signal?: AbortSignal): Promise<void> => sleepOn(this, time_s, signal);

  /** Sets the wall clock by so much, as a person or a time server would. */
  stepWall(by_ms: number): void {
    this.#wall_ms += by_ms;
  }

  /** The clock stands until `work` has settled. Passes it on. */
  async hold<T>(work: Promise<T>): Promise<T> {
    this.#held++;
    try {
      return await work;
    } finally {
      this.#held--;
    }
  }

  /** Lets time pass; resolves after `time_s` or when `stop` was called. Rejects with what a timer's call throws. */
  async run(time_s: number): Promise<void> {
    const end_s = this.#now_s + time_s;
    this.#isStopped = false;
    await this.#settle();
    while (!this.#isStopped) {
      const next = this.#queue.first;
      if (next === null || next.at_s > end_s) {
        this.#now_s = end_s;
        break;
      }
      this.#queue.take();
      if (next.isCleared) continue;
      this.#now_s = Math.max(this.#now_s, next.at_s);
      if (next.period_s !== null) this.#again(next, next.period_s);
      next.call();
      await this.#settle();
    }
  }

  /** Lets time pass until `work` has settled, and passes it on. Rejects when that takes longer than `most_s`. */
  async runUntil<T>(work: Promise<T>, most_s = 60): Promise<T> {
    let isDone = false;
    const done = () => {
      isDone = true;
      this.stop();
    };
    work.then(done, done);
    await this.run(most_s);
    if (!isDone) throw new Error(`not done after ${most_s} s of the simulated clock`);
    return await work;
  }

  /** Ends `run` before the next timer. */
  stop(): void {
    this.#isStopped = true;
  }

  #set(delay_s: number, period_s: number | null, call: () => void): ClockTimer {
    const timer = new SimulatedTimer(this.#now_s + delay_s, this.#order++, period_s, call);
    this.#queue.add(timer);
    return timer;
  }

  #again(timer: SimulatedTimer, period_s: number): void {
    timer.at_s += period_s;
    timer.order = this.#order++;
    this.#queue.add(timer);
  }

  /** Resolves when promises have run and no file is being read or written, nor anything held. */
  async #settle(): Promise<void> {
    let looks = 1;
    for (let quiet = 0; quiet < looks; ) {
      await new Promise((resolve) => setImmediate(resolve));
      if (this.#held > 0 || isFileWorkUnderWay()) {
        quiet = 0;
        // The answer of the disk may have set off something that comes a turn later.
        looks = 3;
      } else quiet++;
    }
  }
}

function isFileWorkUnderWay(): boolean {
  return process.getActiveResourcesInfo().some((kind) => kind.startsWith('FSReq') || kind === 'CloseReq');
}
