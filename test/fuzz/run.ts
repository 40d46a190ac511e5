/**
 * `npm run fuzz [-- name ...] [--seed N] [--share 0.1]`: feeds each parser random and damaged input and prints a JSON line a
 * target. Every target has a process of its own: its memory is its own, and one that hangs is ended and named.
 */
import { type ChildProcess, fork } from 'node:child_process';
import { fileURLToPath } from 'node:url';
import { parseArgs } from 'node:util';
import { mostGrowth_MB } from './target.ts';
import { targets } from './targets.ts';
import type { FuzzReport, FuzzTask } from './worker.ts';

/** A target that reports no progress for so long hangs, in ms. */
const silence_ms = 60_000;

const { values, positionals } = parseArgs({
  allowPositionals: true,
  options: { seed: { type: 'string' }, share: { type: 'string' } },
});
const seed = Number(values.seed ?? Date.now() % 1_000_000);
const share = Number(values.share ?? 1);
const wanted = targets.filter(({ name }) => positionals.length === 0 || positionals.includes(name));
if (wanted.length === 0 || !Number.isInteger(seed) || !(share > 0)) {
  const names = targets.map(({ name }) => name).join(', ');
  process.stderr.write(`usage: npm run fuzz -- [name ...] [--seed N] [--share 0.1]; names: ${names}\n`);
  process.exit(64);
}

let failures = 0;
for (const { name, count } of wanted) {
  const result = await runApart({ name, seed, count: Math.max(1, Math.round(count * share)) });
  if (!result['isFine']) failures++;
  process.stdout.write(`${JSON.stringify(result)}\n`);
}
process.stderr.write(failures === 0 ? 'every promise kept\n' : `${failures} target(s) broke a promise\n`);
process.exit(failures === 0 ? 0 : 1);

function runApart(task: FuzzTask): Promise<Record<string, unknown>> {
  const child = fork(fileURLToPath(new URL('./worker.ts', import.meta.url)), [JSON.stringify(task)], {
    execArgv: ['--expose-gc'],
  });
  return new Promise((resolve) => {
    let done = 0;
    let memory_MB: number[] = [];
    let timer = watch(child);
    const end = (result: Record<string, unknown>): void => {
      clearTimeout(timer);
      child.removeAllListeners();
      resolve({ target: task.name, seed: task.seed, ...result });
    };
    child.on('message', (report: FuzzReport) => {
      clearTimeout(timer);
      timer = watch(child);
      if (report.kind === 'progress') {
        done = report.done;
        memory_MB = [...memory_MB, report.memory_MB];
        return;
      }
      const after_MB = memory_MB[Math.floor(memory_MB.length / 5)] ?? report.memory_MB;
      const growth_MB = report.memory_MB - after_MB;
      const isFine = report.error === null && growth_MB <= mostGrowth_MB;
      const { kind: _, ...rest } = report;
      end({
        isFine,
        cases: task.count,
        ...rest,
        peak_MB: Math.max(report.memory_MB, ...memory_MB),
        growth_MB,
      });
      child.disconnect();
    });
    child.on('exit', (code, signal) =>
      end({
        isFine: false,
        cases: done,
        error: `ended by ${signal ?? code} after case ${done} of ${task.count}`,
      }),
    );
  });
}

function watch(child: ChildProcess): NodeJS.Timeout {
  return setTimeout(() => child.kill('SIGKILL'), silence_ms);
}
