/** One fuzz target in a process of its own; see run.ts. */
import { inspect } from 'node:util';
import { targets } from './targets.ts';

export interface FuzzTask {
  readonly name: string;
  readonly seed: number;
  readonly count: number;
}

export type FuzzReport =
  | { readonly kind: 'progress'; readonly done: number; readonly memory_MB: number }
  | {
      readonly kind: 'end';
      readonly error: string | null;
      readonly seconds: number;
      readonly memory_MB: number;
      readonly counts: Readonly<Record<string, number>>;
    };

const report_ms = 1000;

const task = JSON.parse(process.argv[2]!) as FuzzTask;
const target = targets.find(({ name }) => name === task.name)!;
const started_ms = performance.now();
let reported_ms = 0;
let error: string | null = null;
let counts: Readonly<Record<string, number>> = {};

/** Resident memory after the garbage has gone. */
function memory_MB(): number {
  globalThis.gc?.();
  return Math.round(process.memoryUsage.rss() / 1e6);
}

function tell(report: FuzzReport): void {
  process.send?.(report);
}

try {
  counts = await target.run(task.seed, task.count, (done) => {
    const now_ms = performance.now();
    if (now_ms - reported_ms < report_ms) return;
    reported_ms = now_ms;
    tell({ kind: 'progress', done, memory_MB: memory_MB() });
  });
} catch (failure) {
  error = inspect(failure, { breakLength: Infinity });
}
const seconds = Math.round((performance.now() - started_ms) / 100) / 10;
tell({ kind: 'end', error, seconds, memory_MB: memory_MB(), counts });
