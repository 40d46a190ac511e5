import { defineConfig } from 'vitest/config';

/** One project a folder; each has the time limit its kind of test needs. */
const project = (name: string, testTimeout_ms: number, isSerial = false) => ({
  test: {
    name,
    include: [`test/${name}/**/*.test.ts`],
    testTimeout: testTimeout_ms,
    hookTimeout: testTimeout_ms,
    // A forked process a file: the serial binding does not work in worker threads.
    pool: 'forks' as const,
    ...(isSerial ? { fileParallelism: false } : {}),
    ...(isSerial ? { sequence: { groupOrder: 1 } } : {}),
  },
});

export default defineConfig({
  test: {
    reporters: ['default'],
    projects: [
      project('unit', 10_000),
      project('property', 60_000),
      project('golden', 30_000),
      project('reference', 60_000),
      project('integration', 60_000, true),
      project('fault', 120_000, true),
      project('hil', 180_000, true),
      project('browser', 120_000, true),
    ],
  },
});
