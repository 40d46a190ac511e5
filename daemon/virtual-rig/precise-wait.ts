/** Calling back to within some 20 us, which timers of the event loop alone cannot. */
import { monotonic_s } from '../../drivers/driver.ts';

/** A timer of n ms seldom fires more than this after n ms (measured with sharpened timers), in ms. */
const timerLateness_ms = 0.4;
/** The rest is slept in the kernel until so much before the instant, then counted down, in ms. */
const spin_ms = 0.07;

/** Longest time for which `runAt` holds the event loop, in s. */
export const longestHold_s = (timerLateness_ms + 1) / 1000;

/**
 * Runs `run` at a monotonic instant, never before it. The event loop is held for at most `longestHold_s`, asleep but
 * for the last 70 us; wants `sharpenTimers` to have been called. When the instant is less than that away, `run` is called before this returns.
 */
export function runAt(at_s: number, run: () => void): void {
  const wait_ms = (at_s - monotonic_s()) * 1000;
  if (wait_ms >= timerLateness_ms + 1) {
    setTimeout(() => runAt(at_s, run), Math.floor(wait_ms - timerLateness_ms));
    return;
  }
  if (wait_ms > spin_ms) Atomics.wait(cell, 0, 0, wait_ms - spin_ms);
  while (monotonic_s() < at_s);
  run();
}

/** Never changed: waiting on it is a sleep. */
const cell = new Int32Array(new SharedArrayBuffer(4));
