/** Starts both servers, the counter and the workers, waits, and counts what came against what was said. */
import { type ChildProcess, fork } from 'node:child_process';
import { once } from 'node:events';
import { existsSync, mkdirSync, mkdtempSync, readFileSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { residentMemory_MB } from '../soak/memory.ts';
import { startMosquitto } from '../support/brokers.ts';
import { freePort, startVictoria } from '../support/databases.ts';
import type { CounterReport } from './counter.ts';
import { readBack } from './read-back.ts';
import { pressureChannels, type StationTally } from './station.ts';
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
  readonly wall_s: number;
  readonly expected: { readonly seconds: number; readonly events: number };
  /** Told and never heard, or never read back. */
  readonly lost: {
    readonly secondsAtBroker: number;
    readonly eventsAtBroker: number;
    readonly verdictsAtBroker: number;
    readonly messagesAtBroker: number;
    readonly pointsInHistory: number;
    readonly eventsInHistory: number;
    readonly refusedOrShed: number;
  };
  /** Said again, which receivers drop. */
  readonly repeats: { readonly broker: number; readonly history: number };
  readonly outOfOrder: number;
  readonly deliveriesFailed: number;
  readonly counter: Omit<CounterReport, 'nodes'>;
  readonly history: { readonly rows: number; readonly size_bytes: number; readonly read_bytes: number };
  readonly cpu_s: {
    readonly stations: number;
    readonly broker: number;
    readonly history: number;
    readonly counter: number;
  };
  readonly rss_bytes: { readonly stations: number; readonly broker: number; readonly history: number };
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
    const began_ms = Date.now();
    const done = await Promise.all(
      Array.from({ length: plan.workers }, (_, worker) => {
        const child = fork(new URL('worker.ts', import.meta.url));
        children.push(child);
        return runWorker(child, workerTask(plan, worker, folder, mqttUrl, history.url), plan.say);
      }),
    );
    const wall_s = (Date.now() - began_ms) / 1000;
    counter.send('report');
    const [report] = (await once(counter, 'message')) as [CounterReport];
    const read = await readBack(history.url);
    const cpu = { broker: cpuOf(broker.pid), history: cpuOf(history.pid) };
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
      wall_s,
      ...compare(tallies, report, read.points),
      counter: withoutNodes(report),
      history: { rows: read.rows, size_bytes: read.size_bytes, read_bytes: read.read_bytes },
      cpu_s: {
        stations: done.reduce((sum, { cpu_s }) => sum + cpu_s, 0),
        broker: cpu.broker,
        history: cpu.history,
        counter: report.cpu_s,
      },
      rss_bytes: {
        stations: done.reduce((sum, { rss_bytes }) => sum + rss_bytes, 0),
        broker: (residentMemory_MB(broker.pid) ?? 0) * 2 ** 20,
        history: (residentMemory_MB(history.pid) ?? 0) * 2 ** 20,
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

type Done = Extract<WorkerReport, { kind: 'done' }> & { readonly rss_bytes: number };

function runWorker(child: ChildProcess, task: WorkerTask, say: (text: string) => void): Promise<Done> {
  return new Promise((resolve, reject) => {
    let rss_bytes = 0;
    child.on('message', (report: WorkerReport) => {
      if (report.kind === 'done') resolve({ ...report, rss_bytes });
      else {
        rss_bytes = Math.max(rss_bytes, report.rss_bytes);
        say(`waiting ${report.waiting}, sinks down ${report.down}, ${Math.round(report.rss_bytes / 1e6)} MB`);
      }
    });
    child.once('exit', (code) => reject(new Error(`a worker ended with ${code}`)));
    child.send(task);
  });
}

function compare(
  tallies: readonly StationTally[],
  { nodes }: CounterReport,
  points: ReadonlyMap<
    string,
    { readonly pressure: number; readonly pressureRepeats: number; readonly events: number }
  >,
): Pick<FleetResult, 'expected' | 'lost' | 'repeats' | 'outOfOrder' | 'deliveriesFailed'> {
  const heard = new Map(nodes.map((each) => [each.node, each]));
  const expected = { seconds: 0, events: 0 };
  const lost = {
    secondsAtBroker: 0,
    eventsAtBroker: 0,
    verdictsAtBroker: 0,
    messagesAtBroker: 0,
    pointsInHistory: 0,
    eventsInHistory: 0,
    refusedOrShed: 0,
  };
  const repeats = { broker: 0, history: 0 };
  let outOfOrder = 0;
  let deliveriesFailed = 0;
  for (const { events, node, seconds, sinks, unqueued } of tallies) {
    const there = heard.get(node);
    const stored = points.get(node);
    expected.seconds += seconds;
    expected.events += events.length;
    lost.secondsAtBroker += seconds - (there?.seconds ?? 0);
    lost.eventsAtBroker += events.filter((id) => there?.events.includes(id) !== true).length;
    lost.verdictsAtBroker += events.filter((id) => there?.verdicts.includes(id) !== true).length;
    const delivered = sinks.find(({ name }) => name === 'broker')!.delivered;
    lost.messagesAtBroker += delivered - (there?.messages ?? 0);
    lost.pointsInHistory += seconds * pressureChannels - (stored?.pressure ?? 0);
    lost.eventsInHistory += events.length - (stored?.events ?? 0);
    lost.refusedOrShed += unqueued;
    for (const { failed, rejected, shed, waiting } of sinks) {
      lost.refusedOrShed += rejected + shed + waiting;
      deliveriesFailed += failed;
    }
    repeats.broker += there?.repeats ?? 0;
    repeats.history += stored?.pressureRepeats ?? 0;
    outOfOrder += there?.outOfOrder ?? 0;
  }
  return { expected, lost, repeats, outOfOrder, deliveriesFailed };
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
