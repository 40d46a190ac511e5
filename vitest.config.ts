import { availableParallelism } from 'node:os';
import { defineConfig } from 'vitest/config';
import { privateCacheFolder } from './daemon/cache-folder.mjs';

interface Kind {
  readonly include: readonly string[];
  readonly exclude?: readonly string[];
  /** The time limit its kind of test needs. */
  readonly timeout_ms: number;
  readonly workers: number;
  /** Files share a process, one after the other: for code that keeps nothing in its modules and starts nothing that lives on. */
  readonly isShared?: boolean;
  /** Projects of a group run together, the groups one after the other; a group has one number of workers. */
  readonly group: number;
}

/** Long: only in `npm run test:slow`. */
const slow = '**/*.slow.test.ts';
/** Holds a time against a limit, or fills the cores by itself: nothing else runs meanwhile. */
const alone = '**/*.alone.test.ts';
const slowAlone = '**/*.alone.slow.test.ts';
const cores = availableParallelism();
/** Files that mostly wait for processes, timers and disks. */
const waiting = cores;
/** The processes that tests start find their stripped sources there, as those of `guard.mjs` do. */
const compiled = privateCacheFolder(process.env);

const project = (name: string, { exclude = [], group, include, isShared, timeout_ms, workers }: Kind) => ({
  test: {
    name,
    include: [...include],
    exclude: ['**/node_modules/**', ...exclude],
    testTimeout: timeout_ms,
    hookTimeout: timeout_ms,
    // A forked process a file: the serial binding does not work in worker threads.
    pool: 'forks' as const,
    isolate: isShared !== true,
    maxWorkers: workers,
    // `expect.poll` gives up after a second, which a page on a busy machine may need for its first picture.
    expect: { poll: { timeout: 15_000 } },
    sequence: { groupOrder: group },
    env: compiled === null ? {} : { NODE_COMPILE_CACHE: compiled },
  },
});

/** A folder of test/ without what is slow or wants to be alone. */
const folder = (name: string, timeout_ms: number, group: number, workers: number, isShared = false) =>
  project(name, {
    include: [`test/${name}/**/*.test.ts`],
    exclude: [slow, alone],
    timeout_ms,
    group,
    workers,
    isShared,
  });

export default defineConfig({
  test: {
    reporters: ['default'],
    projects: [
      folder('unit', 20_000, 1, cores, true),
      folder('property', 60_000, 1, cores, true),
      folder('golden', 30_000, 1, cores, true),
      folder('reference', 60_000, 1, cores, true),
      folder('integration', 60_000, 2, waiting),
      folder('fault', 120_000, 2, waiting),
      folder('hil', 120_000, 2, waiting),
      folder('simulated', 120_000, 2, waiting),
      folder('browser', 120_000, 2, waiting),
      project('alone', { include: [`test/${alone}`], timeout_ms: 120_000, group: 3, workers: 1 }),
      project('slow', {
        include: [`test/${slow}`],
        exclude: [slowAlone],
        timeout_ms: 120_000,
        group: 4,
        workers: waiting,
      }),
      project('slow-alone', { include: [`test/${slowAlone}`], timeout_ms: 300_000, group: 5, workers: 1 }),
    ],
  },
});
