/** What the dashboard weighs, and what one viewer costs the server. */
import { type ChildProcess, fork } from 'node:child_process';
import { once } from 'node:events';
import { mkdtemp, readdir, readFile, rm } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { setTimeout as wait } from 'node:timers/promises';
import { gzipSync } from 'node:zlib';
import { build } from 'vite';
import { startFakeServer } from '../support/fake-server.ts';
import type { BenchRow } from './row.ts';

const viewers = 20;
const run_s = 8;
const period_ms = 50;

export async function bench(report: (row: BenchRow) => void): Promise<void> {
  const size_kB = await scriptSize_kB();
  report({
    name: 'dashboard JavaScript, gzipped',
    figure: Number(size_kB.toFixed(1)),
    unit: 'kB',
    target: '<= 120',
    meets: size_kB <= 120,
    note: 'all scripts of a production build',
  });
  const { cpu_percent, received_ratio } = await viewerCost();
  report({
    name: 'server time per viewer',
    figure: Number(cpu_percent.toFixed(2)),
    unit: '% of a core',
    target: '< 10',
    meets: cpu_percent < 10,
    note: `${viewers} viewers at 20 frames/s for ${run_s} s, less the same without viewers`,
  });
  report({
    name: 'live frames received',
    figure: Number(received_ratio.toFixed(4)),
    unit: '1',
    target: '>= 0.99',
    meets: received_ratio >= 0.99,
    note: 'share of the frames made that every viewer got',
  });
}

async function scriptSize_kB(): Promise<number> {
  const folder = await mkdtemp(join(tmpdir(), 'tripwave-bench-'));
  await build({
    configFile: join(import.meta.dirname, '../../vite.config.ts'),
    logLevel: 'error',
    build: { outDir: folder },
  });
  const assets = join(folder, 'assets');
  let bytes = 0;
  for (const name of await readdir(assets)) {
    if (name.endsWith('.js')) bytes += gzipSync(await readFile(join(assets, name))).byteLength;
  }
  await rm(folder, { recursive: true });
  return bytes / 1000;
}

async function viewerCost(): Promise<{ cpu_percent: number; received_ratio: number }> {
  const server = await startFakeServer(0, { dashboardFolder: null });
  const alone_s = await cpuOf(server.advance);
  const child: ChildProcess = fork(join(import.meta.dirname, 'dashboard-worker.ts'), [
    server.url,
    String(viewers),
  ]);
  await once(child, 'message');
  const greeted = await framesOf(child);
  const watched_s = await cpuOf(server.advance);
  // Frames still under way arrive within a period.
  await wait(4 * period_ms);
  const received = (await framesOf(child)) - greeted;
  child.disconnect();
  await once(child, 'exit');
  await server.close();
  const frames = (run_s * 1000) / period_ms;
  return {
    cpu_percent: (100 * (watched_s - alone_s)) / run_s / viewers,
    received_ratio: received / (frames * viewers),
  };
}

async function framesOf(child: ChildProcess): Promise<number> {
  const answered = once(child, 'message');
  child.send('frames');
  return (await answered)[0] as number;
}

/** CPU seconds of this process while it makes frames at their pace, paced absolutely. */
async function cpuOf(advance: (steps: number) => void): Promise<number> {
  const before = process.cpuUsage();
  const start_ms = performance.now();
  for (let step = 0; step < (run_s * 1000) / period_ms; step++) {
    await wait(Math.max(0, start_ms + step * period_ms - performance.now()));
    advance(1);
  }
  const { user, system } = process.cpuUsage(before);
  return (user + system) * 1e-6;
}
