/** The machine's own time for the tasks. */
import { setTimeout as delay } from 'node:timers/promises';
import { monotonic_s } from '../../drivers/driver.ts';
import type { TaskClock } from './sink-task.ts';

/** The longest wait that a timer of Node takes, in ms. */
const longest_ms = 2 ** 31 - 1;

export const machineClock: TaskClock = {
  wallNow_ms: () => Date.now(),
  now_s: monotonic_s,
  async sleep(time_s, signal) {
    try {
      await delay(Math.min(longest_ms, time_s * 1000), undefined, { signal });
    } catch (error) {
      if (!signal.aborted) throw error;
    }
  },
};
