/** Spreads jobs over forked workers; answers come back in the order of the jobs, whatever the number of workers. */
import { type ChildProcess, fork } from 'node:child_process';
import type { Job, JobKind } from './worker.ts';

/** One question. */
export type Ask = Omit<Job, 'id' | 'kind'>;

/**
 * Runs all jobs of a kind on `workers` processes. A worker that dies fails the whole run. `inOrder` gets each answer as soon
 * as all before it are there.
 */
export async function runJobs<Row>(
  kind: JobKind,
  asks: readonly Ask[],
  workers: number,
  inOrder: (row: Row, index: number) => void = () => undefined,
): Promise<Row[]> {
  const rows = new Array<Row>(asks.length);
  let next = 0;
  let given = 0;
  const drain = (child: ChildProcess) =>
    new Promise<void>((resolve, reject) => {
      let open = 0;
      const died = (code: number | null) => reject(new Error(`a worker of the study ended with ${code}`));
      const give = () => {
        // Two ahead, so that the worker never waits for its next job.
        while (open < 2 && next < asks.length) {
          child.send({ id: next, kind, ...asks[next] });
          next++;
          open++;
        }
        if (open > 0) return;
        child.off('exit', died);
        child.disconnect();
        resolve();
      };
      child.on('exit', died);
      child.on('message', (answer: { readonly id: number; readonly row: Row }) => {
        rows[answer.id] = answer.row;
        for (; given < rows.length && rows[given] !== undefined; given++) inOrder(rows[given], given);
        open--;
        give();
      });
      give();
    });
  await Promise.all(
    Array.from({ length: workers }, () => drain(fork(new URL('worker.ts', import.meta.url).pathname))),
  );
  return rows;
}
