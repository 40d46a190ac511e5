/** Waits of work that goes on beside the recording and ends with it: for a disk that refuses, for a condition, for a ledger. */
import type { Clock } from '../../drivers/clock.ts';
import { isDiskFault, messageOf } from '../store/files.ts';
import type { Log } from './log.ts';

/** A disk that refuses is asked again after so long, in s. */
const retry_s = 10;
const look_s = 0.05;

/** Every wait rejects once `stop` has been called. */
export class Patience {
  readonly #clock: Clock;
  readonly #log: Log;
  readonly #stop = new AbortController();

  constructor(clock: Clock, log: Log) {
    this.#clock = clock;
    this.#log = log;
  }

  get signal(): AbortSignal {
    return this.#stop.signal;
  }

  stop(): void {
    this.#stop.abort();
  }

  /** A disk that refuses is asked again until it answers, `tries` times at most; then, and for other errors, rejects. */
  async withDisk<T>(work: () => Promise<T>, tries: number): Promise<T> {
    for (let done = 1; ; done++) {
      try {
        return await work();
      } catch (error) {
        if (!isDiskFault(error) || done >= tries) throw error;
        this.refused(error);
        await this.retry();
      }
    }
  }

  refused(error: unknown): void {
    this.#log.error({ why: messageOf(error) }, 'run before not read yet, will be tried again');
  }

  /** The pause before a disk that refused is asked again. */
  async retry(): Promise<void> {
    await this.wait(retry_s);
  }

  /** A full disk must not hold up the end of the recorder. The ledger writes the line, or counts it as given up. */
  async onMedium(line: Promise<void>): Promise<void> {
    const { signal } = this.#stop;
    const stopped = Promise.withResolvers<void>();
    const stop = () => stopped.resolve();
    signal.addEventListener('abort', stop);
    if (!signal.aborted) await Promise.race([line, stopped.promise]);
    signal.removeEventListener('abort', stop);
    signal.throwIfAborted();
  }

  async wait(time_s: number): Promise<void> {
    await this.#clock.sleep(time_s, this.#stop.signal);
    this.#stop.signal.throwIfAborted();
  }

  /** True when it has become so; false when the time is over. */
  async until(isSo: () => boolean, most_s: number): Promise<boolean> {
    for (let waited_s = 0; waited_s <= most_s; waited_s += look_s) {
      if (isSo()) return true;
      await this.wait(look_s);
    }
    return false;
  }
}
