/** How late polls on a 10 ms grid are while another process of the house is busy 80 ms in every 200. */
import { type ChildProcess, spawn, spawnSync } from 'node:child_process';
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { rankBelow } from '../../daemon/recorder/server-rank.ts';
import { compile, runJson, startPacedSlave } from './modbus-rate.ts';
import type { BenchRow } from './row.ts';

const baud = 115_200;
const poll_s = 0.01;
const polls = 1000;

/** Real-time priority, where this user may have it: what an installation gives the recorder (chrt(1), sched(7)). */
export const realTime: readonly string[] = ['chrt', '--fifo', '10'];

/** A server that renders something: busy 80 ms in every 200. */
const busyServer = `
setInterval(() => {
  const end = performance.now() + 80;
  while (performance.now() < end) {}
}, 200);
`;

/** Starts it as the recorder starts its server: with a niceness above its own. To be killed by the caller. */
export function startBusyServer(): ChildProcess {
  const server = spawn(process.execPath, ['-e', busyServer], { stdio: 'ignore' });
  if (server.pid !== undefined) rankBelow(server.pid);
  return server;
}

interface Lateness {
  readonly p50_ms: number;
  readonly p99_ms: number;
  readonly max_ms: number;
  readonly slotsLost: number;
}

export async function bench(report: (row: BenchRow) => void): Promise<void> {
  const folder = mkdtempSync(join(tmpdir(), 'poll-lateness-'));
  const worker = join(import.meta.dirname, 'poll-lateness-worker.ts');
  try {
    const program = join(folder, 'paced-slave');
    compile('paced-slave.c', program);
    const measure = async (prefix: readonly string[]): Promise<Lateness> => {
      const line = await startPacedSlave(program, baud, prefix);
      const args = [line.path, String(baud), String(poll_s), String(polls)];
      const [command, ...rest] = [...prefix, process.execPath, worker, ...args] as [string, ...string[]];
      const lateness = await runJson<Lateness>(command, ...rest);
      await line.end();
      return lateness;
    };
    const words = ({ p50_ms, p99_ms, max_ms, slotsLost }: Lateness): string =>
      `p50 ${p50_ms.toFixed(3)}, p99 ${p99_ms.toFixed(3)}, largest ${max_ms.toFixed(3)} ms, ${slotsLost} slots lost`;
    const mayBeRealTime = spawnSync(realTime[0]!, [...realTime.slice(1), 'true']).status === 0;
    if (!mayBeRealTime) console.warn('poll-lateness: no real-time priority here, so that row is left out');
    for (const prefix of mayBeRealTime ? [[], realTime] : [[]]) {
      const alone = await measure(prefix);
      const server = startBusyServer();
      const beside = await measure(prefix).finally(() => server.kill('SIGKILL'));
      report({
        name: `poll lateness beside a busy server, p99${prefix.length > 0 ? ', real-time priority' : ''}`,
        figure: beside.p99_ms,
        unit: 'ms',
        target: '<= 0.5',
        meets: beside.p99_ms <= 0.5,
        note: `${words(beside)}; the same run without a server: ${words(alone)}; ratio of p99 ${(beside.p99_ms / alone.p99_ms).toFixed(1)}`,
      });
    }
  } finally {
    rmSync(folder, { recursive: true, force: true });
  }
}
