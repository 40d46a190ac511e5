/** `npm run bench [-- name ...]`: runs the benchmarks one after the other and prints a JSON line a figure. */
import { readdirSync } from 'node:fs';
import type { BenchRow } from './row.ts';

const wanted = process.argv.slice(2);
const folder = new URL('./', import.meta.url);
const notBenches = ['run.ts', 'row.ts'];
const names = readdirSync(folder)
  .filter((name) => name.endsWith('.ts') && !name.endsWith('-worker.ts') && !notBenches.includes(name))
  .map((name) => name.slice(0, -3))
  .filter((name) => wanted.length === 0 || wanted.includes(name))
  .sort();
if (names.length === 0) {
  process.stderr.write(`no benchmark of that name: ${wanted.join(', ')}\n`);
  process.exit(64);
}

let misses = 0;
for (const name of names) {
  const module = (await import(new URL(`${name}.ts`, folder).href)) as {
    bench(report: (row: BenchRow) => void): Promise<void>;
  };
  await module.bench((row) => {
    if (!row.meets) misses++;
    process.stdout.write(`${JSON.stringify(row)}\n`);
  });
}
process.stderr.write(misses === 0 ? 'every target met\n' : `${misses} target(s) missed\n`);
process.exit(0);
