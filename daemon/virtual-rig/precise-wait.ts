/** Calling back to within some 20 us, which timers of the event loop alone cannot. */
import type { Clock } from '../../drivers/clock.ts';

/** A timer of n ms seldom fires more than this after n ms (measured with sharpened timers), in ms. */
const timerLateness_ms = 0.4;
/** The rest is slept in the kernel until so much before the instant, then counted down, in ms. */
const spin_ms = 0.07;

/** Longest time for which `runAt` holds the event loop, in s. */
export const longestHold_s = (timerLateness_ms + 1) / 1000;

/**
 * Runs `run` at an instant of `clock`, never before it. On the machine's clock the event loop is held for at most
 * `longestHold_s`, asleep but for the last 70 us; wants `sharpenTimers` to have been called. When the instant is less than
 * that away (on an exact clock: when it has come), `run` is called before this returns.
 */
export function runAt(clock: Clock, at_s: number, run: () => void): void {
  const wait_ms = (at_s - clock.monotonic_s()) * 1000;
  if (clock.isExact) {
    // A billionth of a second against rounding: the timer must not come back before the instant for ever.
    if (wait_ms > 0) clock.setTimeout(() => runAt(clock, at_s, run), Math.max(wait_ms, 1e-6));
    else run();
    return;
  }
  if (wait_ms >= timerLateness_ms + 1) {
    clock.setTimeout(() => runAt(clock, at_s, run), Math.floor(wait_ms - timerLateness_ms));
    return;
  }
  if (wait_ms > spin_ms) Atomics.wait(cell, 0, 0, wait_ms - spin_ms);
  while (clock.monotonic_s() < at_s);
  run();
}

/** Never changed: waiting on it is a sleep. */
const cell = new Int32Array(new SharedArrayBuffer(4));
