/** How late the steps of a process come on a grid of 10 ms; beside it those of a process that does nothing else. */
import { type ChildProcess, fork } from 'node:child_process';
import { once } from 'node:events';
import { setTimeout as delay } from 'node:timers/promises';

const step_ms = 10;
const steps = 200;

/** Two seconds of steps; ascending, in ms. `work` is what the process does in its k-th step, from 1. */
export async function stepLateness_ms(work: (k: number) => void = () => undefined): Promise<number[]> {
  const late_ms: number[] = [];
  const begin_ms = performance.now();
  for (let k = 1; k <= steps; k++) {
    const wait_ms = begin_ms + k * step_ms - performance.now();
    if (wait_ms > 0) await delay(wait_ms);
    late_ms.push(performance.now() - begin_ms - k * step_ms);
    work(k);
  }
  return late_ms.sort((a, b) => a - b);
}

/** Of ascending values. */
export const shareOf = (ascending: readonly number[], share: number): number =>
  ascending[Math.floor(share * (ascending.length - 1))]!;

const child = new URL('./step-lateness-child.ts', import.meta.url).pathname;

/** A process that steps beside this one, so that a busy machine makes both late. */
export class IdleProcess {
  readonly #child: ChildProcess;

  private constructor(process: ChildProcess) {
    this.#child = process;
  }

  /** Resolves when it is ready to step. */
  static async start(): Promise<IdleProcess> {
    const started = fork(child, [], { execArgv: [] });
    await once(started, 'message');
    return new IdleProcess(started);
  }

  /** Its lateness from now on, as `stepLateness_ms`; it ends then. */
  async stepLateness_ms(): Promise<readonly number[]> {
    this.#child.send('step');
    const [late_ms] = (await once(this.#child, 'message')) as [readonly number[]];
    return late_ms;
  }
}
