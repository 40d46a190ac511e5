/**
 * Waiting to a tenth of a millisecond without burning the processor. A Node timer alone is a millisecond coarse, which
 * breaks a silence of 1.75 ms or wastes a tenth of the line; a spin costs a core.
 */
import { writeFileSync } from 'node:fs';
import { type Clock, systemClock } from '../clock.ts';

/** The clock that the master waits on; a test brings its own. */
export interface PreciseClock {
  now_s(): number;
  /** Resolves at `instant_s` or as soon after as it can, never before. */
  until(instant_s: number): Promise<void>;
  /** Resolves round `instant_s`: asleep all the while, a tenth of a millisecond late at most on an idle machine. */
  near(instant_s: number): Promise<void>;
  /** Calls back at `instant_s`, a millisecond or two late at the most on an idle machine; returns how to cancel it. */
  at(instant_s: number, call: () => void): () => void;
}

/**
 * A Node timer of k ms fires between k - 1 ms and, in 99 of 100 cases on an idle machine, k + 0.35 ms (measured): so much
 * is left for the futex, in s.
 */
const timerLateness_s = 0.4e-3;

/** The futex wakes within so long, in s; this much is spun at the most. */
const spin_s = 80e-6;

const nothing = new Int32Array(new SharedArrayBuffer(4));

/** Asks the kernel to wake this thread at once and not within its usual 50 us. False where that is not allowed. */
export function sharpenTimers(): boolean {
  try {
    writeFileSync('/proc/self/timerslack_ns', '1');
    return true;
  } catch {
    return false;
  }
}

/** Waits on `clock`: those of the machine need a spin, exact ones do not. */
export function preciseOn(clock: Clock): PreciseClock {
  if (!clock.isExact) return realClock;
  const until = async (instant_s: number): Promise<void> => {
    // Once, but for what the arithmetic rounds off.
    for (let left_s = instant_s - clock.monotonic_s(); left_s > 0; left_s = instant_s - clock.monotonic_s())
      await clock.sleep(Math.max(left_s, 1e-9));
  };
  return {
    now_s: () => clock.monotonic_s(),
    until,
    near: until,
    at(instant_s, call) {
      const timer = clock.setTimeout(call, Math.max(0, (instant_s - clock.monotonic_s()) * 1000));
      return () => clock.clear(timer);
    },
  };
}

/** Sleeps up to `early_s` before `instant_s`: a millisecond and a half with the thread at the most. */
async function sleep(instant_s: number, early_s: number): Promise<void> {
  const bulk_ms = Math.floor((instant_s - systemClock.monotonic_s() - timerLateness_s) * 1000);
  if (bulk_ms > 0) await new Promise((resolve) => setTimeout(resolve, bulk_ms));
  const remaining_s = instant_s - systemClock.monotonic_s() - early_s;
  if (remaining_s > 0) Atomics.wait(nothing, 0, 0, remaining_s * 1000);
}

export const realClock: PreciseClock = {
  now_s: systemClock.monotonic_s,
  async until(instant_s) {
    await sleep(instant_s, spin_s);
    while (systemClock.monotonic_s() < instant_s) {
      // Less than `spin_s`.
    }
  },
  near: (instant_s) => sleep(instant_s, 0),
  at(instant_s, call) {
    // Through the immediate queue: after a stall, bytes that lie ready in the kernel are read before the time is up.
    let immediate: NodeJS.Immediate | null = null;
    const wait_ms = Math.max(0, Math.ceil((instant_s - systemClock.monotonic_s()) * 1000 + 1));
    const timer = setTimeout(() => {
      immediate = setImmediate(call);
    }, wait_ms);
    return () => {
      clearTimeout(timer);
      if (immediate !== null) clearImmediate(immediate);
    };
  },
};
