/**
 * Time as every part below the command line gets it: handed in, never taken from the process. The system clock is the usual
 * one; a simulated clock in its place makes hours pass in minutes with nothing else changed.
 */

/** A timer that has been set; each clock has its own kind. */
export interface ClockTimer {
  /** The timer alone does not keep the process alive. */
  unref(): void;
}

/** Its functions may be taken out of it and handed on alone. */
export interface Clock {
  /** Its timers call at their very instant, with fractions of a millisecond: nobody needs to spin. The machine's are late. */
  readonly isExact: boolean;
  /** CLOCK_MONOTONIC in s: the time of every sample. Shared by all processes of one machine. */
  monotonic_s(): number;
  /** Wall time in ms since 1970 (UTC). */
  wall_ms(): number;
  /** Calls once after `delay_ms`, never in the same turn. */
  setTimeout(call: () => void, delay_ms: number): ClockTimer;
  /** Calls every `period_ms` until it is cleared. */
  setInterval(call: () => void, period_ms: number): ClockTimer;
  /** Cancels a timer of either kind; null and one that has run do no harm. */
  clear(timer: ClockTimer | null): void;
  /** Resolves after `time_s`, or at once when `signal` aborts; never rejects. */
  sleep(time_s: number, signal?: AbortSignal): Promise<void>;
}

/** The longest wait that a timer of Node takes, in ms; beyond that it would fire at once. */
const longest_ms = 2 ** 31 - 1;

/** Waits on any clock that has timers. */
export function sleepOn(
  clock: Pick<Clock, 'setTimeout' | 'clear'>,
  time_s: number,
  signal?: AbortSignal,
): Promise<void> {
  return new Promise((resolve) => {
    if (signal?.aborted === true) {
      resolve();
      return;
    }
    const wake = () => {
      clock.clear(timer);
      signal?.removeEventListener('abort', wake);
      resolve();
    };
    const timer = clock.setTimeout(wake, Math.min(longest_ms, time_s * 1000));
    signal?.addEventListener('abort', wake);
  });
}

/** The clock of the machine. */
export const systemClock: Clock = {
  isExact: false,
  monotonic_s: () => Number(process.hrtime.bigint()) * 1e-9,
  wall_ms: () => Date.now(),
  setTimeout: (call, delay_ms) => setTimeout(call, delay_ms),
  setInterval: (call, period_ms) => setInterval(call, period_ms),
  clear(timer) {
    // Every timer of this clock is one of Node's.
    if (timer !== null) clearTimeout(timer as NodeJS.Timeout);
  },
  sleep: (time_s, signal) => sleepOn(systemClock, time_s, signal),
};
