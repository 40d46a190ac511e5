/** Starts both servers, the counter and the workers, waits, and counts what came against what was said. */
import { type ChildProcess, fork } from 'node:child_process';
import { once } from 'node:events';
import { existsSync, mkdirSync, mkdtempSync, readFileSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { serverArguments, serverEnvironment } from '../../daemon/recorder/server-memory.ts';
import { residentMemory_MB } from '../soak/memory.ts';
import { startMosquitto } from '../support/brokers.ts';
import { freePort, startVictoria } from '../support/databases.ts';
import { type Comparison, compare } from './compare.ts';
import type { CounterReport } from './counter.ts';
import { type ReadBack, readBack } from './read-back.ts';
import type { WorkerReport, WorkerTask } from './worker.ts';

export interface FleetPlan {
  readonly stations: number;
  readonly run_s: number;
  readonly spread_s: number;
  readonly tripEvery_s: number;
  readonly seed: number;
  readonly workers: number;
  readonly say: (text: string) => void;
}

export interface FleetResult {
  readonly plan: Omit<FleetPlan, 'say'>;
  readonly comparison: Comparison;
  readonly counter: Omit<CounterReport, 'nodes'>;
  readonly history: Omit<ReadBack, 'points'>;
  readonly cpu_s: {
    readonly stations: number;
    readonly broker: number;
    readonly history: number;
    readonly counter: number;
  };
  readonly rss_bytes: {
    /** All workers together, when every station is up, halfway and at the end. */
    readonly stations: readonly number[];
    readonly broker: number;
    readonly history: number;
  };
}

export async function runFleet(plan: FleetPlan): Promise<FleetResult> {
  // Five hundred disks are not on this machine: the outboxes stand in memory where the system has such a folder.
  const folder = mkdtempSync(join(existsSync('/dev/shm') ? '/dev/shm' : tmpdir(), 'tripwave-fleet-'));
  const children: ChildProcess[] = [];
  const ends: (() => Promise<void>)[] = [];
  try {
    // Its queue for the counter is not limited: what the counter misses, the broker never got.
    const queue = ['allow_anonymous true', 'max_queued_messages 0', 'max_inflight_messages 1000'];
    const broker = await startMosquitto(await freePort(), () => queue);
    ends.push(broker.stop);
    const history = await startVictoria();
    ends.push(history.stop);
    const mqttUrl = `mqtt://127.0.0.1:${broker.port}`;
    const counter = fork(new URL('counter.ts', import.meta.url), [mqttUrl]);
    children.push(counter);
    await once(counter, 'message');
    const before = { broker: cpuOf(broker.pid), history: cpuOf(history.pid) };
    const done = await Promise.all(
      Array.from({ length: plan.workers }, (_, worker) => {
        const child = fork(new URL('worker.ts', import.meta.url), [], {
          execArgv: [...serverArguments],
          env: serverEnvironment(process.env),
        });
        children.push(child);
        return runWorker(child, workerTask(plan, worker, folder, mqttUrl, history.url), plan.say);
      }),
    );
    // Before the reading back, which is no part of the run.
    const cpu = {
      broker: cpuOf(broker.pid) - before.broker,
      history: cpuOf(history.pid) - before.history,
    };
    const residentOf = (pid: number) => (residentMemory_MB(pid) ?? 0) * 2 ** 20;
    const rss = { broker: residentOf(broker.pid), history: residentOf(history.pid) };
    counter.send('report');
    const [report] = (await once(counter, 'message')) as [CounterReport];
    const { points, ...read } = await readBack(history.url);
    const tallies = done.flatMap(({ tallies: each }) => each);
    return {
      plan: {
        stations: plan.stations,
        run_s: plan.run_s,
        spread_s: plan.spread_s,
        tripEvery_s: plan.tripEvery_s,
        seed: plan.seed,
        workers: plan.workers,
      },
      comparison: compare(tallies, report.nodes, points),
      counter: withoutNodes(report),
      history: read,
      cpu_s: {
        stations: done.reduce((sum, { cpu_s }) => sum + cpu_s, 0),
        ...cpu,
        counter: report.cpu_s,
      },
      rss_bytes: {
        stations: [0, 1, 2].map((when) => done.reduce((sum, { rss_bytes }) => sum + rss_bytes[when]!, 0)),
        ...rss,
      },
    };
  } finally {
    for (const child of children) child.kill('SIGKILL');
    for (const end of ends) await end();
    rmSync(folder, { recursive: true, force: true });
  }
}

function workerTask(
  plan: FleetPlan,
  worker: number,
  folder: string,
  mqttUrl: string,
  influxUrl: string,
): WorkerTask {
  const { run_s, seed, spread_s, stations, tripEvery_s, workers } = plan;
  const own = Array.from({ length: stations }, (_, k) => k).filter((k) => k % workers === worker);
  return {
    stations: own.map((k) => {
      const node = `station-${String(k + 1).padStart(5, '0')}`;
      const own = join(folder, node);
      mkdirSync(own);
      return { node, seed: seed + k, folder: own, mqttUrl, influxUrl, tripEvery_s };
    }),
    run_s,
    spread_s,
    drain_s: 120,
  };
}

type Done = Extract<WorkerReport, { kind: 'done' }> & { readonly rss_bytes: readonly number[] };

function runWorker(child: ChildProcess, task: WorkerTask, say: (text: string) => void): Promise<Done> {
  return new Promise((resolve, reject) => {
    const sizes_bytes: number[] = [];
    child.on('message', (report: WorkerReport) => {
      if (report.kind === 'done') {
        sizes_bytes.push(report.last_bytes);
        const half = sizes_bytes[sizes_bytes.length >> 1]!;
        resolve({ ...report, rss_bytes: [sizes_bytes[0]!, half, report.last_bytes] });
        return;
      }
      if (report.isWhole) sizes_bytes.push(report.rss_bytes);
      say(`waiting ${report.waiting}, sinks down ${report.down}, ${Math.round(report.rss_bytes / 1e6)} MB`);
    });
    // Not `exit`: that may come before the last message has been read.
    child.once('disconnect', () => reject(new Error('a worker ended before it was done')));
    child.send(task);
  });
}

function withoutNodes({ nodes: _, ...rest }: CounterReport): Omit<CounterReport, 'nodes'> {
  return rest;
}

/** User and system time of a process so far, in s (proc(5): fields 14 and 15 of stat, in ticks of 10 ms). */
function cpuOf(pid: number): number {
  const text = readFileSync(`/proc/${pid}/stat`, 'utf8');
  const fields = text.slice(text.lastIndexOf(')') + 2).split(' ');
  return (Number(fields[11]) + Number(fields[12])) / 100;
}
