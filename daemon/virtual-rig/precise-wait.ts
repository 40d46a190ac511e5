/** Waiting to within some 20 us, which timers of the event loop alone cannot: they are up to 1.2 ms late. */
import { writeFileSync } from 'node:fs';
import { monotonic_s } from '../../drivers/driver.ts';

/** An event-loop timer of n ms fires up to this much after n ms (measured), in ms. */
const timerLateness_ms = 1.2;
/** The rest is slept in the kernel until so much before the instant, then counted down, in ms. */
const spin_ms = 0.07;

/**
 * Lets this process sleep to within microseconds: the kernel otherwise adds 50 us to every wait (prctl(2), PR_SET_TIMERSLACK).
 * False where the kernel does not offer it; waiting is then 50 us coarser.
 */
export function sharpenSleep(): boolean {
  try {
    writeFileSync('/proc/self/timerslack_ns', '1');
    return true;
  } catch {
    return false;
  }
}

/**
 * Runs `run` at a monotonic instant, never before it. The event loop is held for at most the last 2.3 ms of the wait,
 * asleep but for the last 70 us. When the instant is less than that away, `run` is called before this returns.
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
