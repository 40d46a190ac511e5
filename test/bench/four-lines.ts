/** Two Modbus lines and two streams (20 kS/s together) read by one process while a server beside it is busy 80 ms in every 200. */
import { type ChildProcess, fork, spawnSync } from 'node:child_process';
import { once } from 'node:events';
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { whyNoPty } from '../../daemon/virtual-rig/pty.ts';
import type { FrameSourceSpec } from '../support/frame-source.ts';
import type { FourLines, FourLinesTold } from './four-lines-worker.ts';
import { compile, runJson, startPacedSlave } from './modbus-rate.ts';
import { realTime, startBusyServer } from './poll-lateness.ts';
import { type BenchRow, notMeasured } from './row.ts';

const rate_Hz = 2500;
const source: FrameSourceSpec = { rate_Hz, scansPerFrame: 25, channels: 4, drift: 40e-6, wire_s: 0 };

export async function bench(report: (row: BenchRow) => void): Promise<void> {
  const why = whyNoPty();
  if (why !== null) {
    report(notMeasured('four lines', why));
    return;
  }
  const folder = mkdtempSync(join(tmpdir(), 'four-lines-'));
  try {
    const program = join(folder, 'paced-slave');
    compile('paced-slave.c', program);
    const mayBeRealTime = spawnSync(realTime[0]!, [...realTime.slice(1), 'true']).status === 0;
    if (!mayBeRealTime) console.warn('four-lines: no real-time priority here, so that row is left out');
    for (const prefix of mayBeRealTime ? [[], realTime] : [[]]) {
      const alone = await measure(folder, program, prefix, false);
      const told = await measure(folder, program, prefix, true);
      const priority = prefix.length > 0 ? ', real-time priority' : '';
      report({
        name: `four lines beside a busy server, lateness of polls, p99${priority}`,
        figure: Number(told.p99_ms.toFixed(3)),
        unit: 'ms',
        target: '<= 1',
        meets: told.p99_ms <= 1,
        note:
          `2 Modbus lines every 10 ms, 2 streams of 4 x 2.5 kHz; p50 ${told.p50_ms.toFixed(3)}, largest ${told.max_ms.toFixed(3)} ms; ` +
          `${told.slotsLost} slots lost or delayed; ${told.processor_percent.toFixed(1)} % of a core; ` +
          `the same run without a server: p50 ${alone.p50_ms.toFixed(3)}, p99 ${alone.p99_ms.toFixed(3)}, largest ${alone.max_ms.toFixed(3)} ms; ` +
          `ratio of p99 ${(told.p99_ms / alone.p99_ms).toFixed(1)}`,
      });
      report({
        name: `four lines beside a busy server, samples of the streams lost${priority}`,
        figure: told.scansLost * source.channels,
        unit: 'samples',
        target: '0',
        meets: told.scansLost === 0 && told.scans > 0,
        note: `${told.scans} scans received`,
      });
    }
  } finally {
    rmSync(folder, { recursive: true, force: true });
  }
}

async function measure(
  folder: string,
  program: string,
  prefix: readonly string[],
  hasServer: boolean,
): Promise<FourLinesTold> {
  const baud = 115_200;
  const slaves = [await startPacedSlave(program, baud, prefix), await startPacedSlave(program, baud, prefix)];
  const streams = ['one', 'two'].map((name) => join(folder, name));
  const senders = streams.map((path) =>
    fork(new URL('./streaming-worker.ts', import.meta.url), [path, JSON.stringify(source)], {
      serialization: 'advanced',
    }),
  );
  await Promise.all(senders.map((sender) => once(sender, 'message')));
  const server = hasServer ? startBusyServer() : null;
  try {
    for (const sender of senders) sender.send('run');
    const task: FourLines = {
      polled: slaves.map(({ path }) => path),
      streams,
      pollBaud: baud,
      streamBaud: 921_600,
      poll_s: 0.01,
      rate_Hz,
      polls: 1000,
    };
    const worker = join(import.meta.dirname, 'four-lines-worker.ts');
    const [command = process.execPath, ...args] = [...prefix, process.execPath, worker, JSON.stringify(task)];
    return await runJson<FourLinesTold>(command, ...args);
  } finally {
    server?.kill('SIGKILL');
    await Promise.all(senders.map(end));
    for (const slave of slaves) await slave.end();
  }
}

async function end(sender: ChildProcess): Promise<void> {
  sender.disconnect();
  await once(sender, 'exit');
}
