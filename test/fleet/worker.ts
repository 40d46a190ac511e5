/** Many stations in one process, told what to do by run messages of fleet.ts. */
import { setTimeout as delay } from 'node:timers/promises';
import { Station, type StationOptions, type StationTally } from './station.ts';

export interface WorkerTask {
  readonly stations: readonly StationOptions[];
  readonly run_s: number;
  /** Stations come up one after the other during so long, in s. */
  readonly spread_s: number;
  /** What waits at the end is waited for so long, in s. */
  readonly drain_s: number;
}

export type WorkerReport =
  | {
      readonly kind: 'progress';
      /** Every station is up. */
      readonly isWhole: boolean;
      readonly waiting: number;
      readonly down: number;
      readonly rss_bytes: number;
    }
  | {
      readonly kind: 'done';
      readonly tallies: readonly StationTally[];
      readonly cpu_s: number;
      /** Resident size at the end of the run, before the drain. */
      readonly last_bytes: number;
    };

/** Resolves when the system has all of it: what is not yet written is lost with the channel. */
const say = (report: WorkerReport) =>
  new Promise<void>((resolve) => process.send!(report, undefined, undefined, () => resolve()));

process.once('message', (task: WorkerTask) => {
  run(task).then(
    () => process.disconnect(),
    (error: unknown) => {
      process.stderr.write(`${error instanceof Error ? error.stack : String(error)}\n`);
      process.exit(70);
    },
  );
});

async function run({ drain_s, run_s, spread_s, stations: options }: WorkerTask): Promise<void> {
  const cpuBefore = process.cpuUsage();
  const stations: Station[] = [];
  const ended: Promise<void>[] = options.map(async (each, k) => {
    await delay((spread_s * 1000 * k) / options.length);
    const station = new Station(each);
    stations.push(station);
    await live(station, run_s, k / options.length);
  });
  const progress = setInterval(() => {
    const tallies = stations.flatMap((station) => station.tally().sinks);
    void say({
      kind: 'progress',
      isWhole: stations.length === options.length,
      waiting: tallies.reduce((sum, { waiting }) => sum + waiting, 0),
      down: tallies.filter(({ state }) => state === 'down').length,
      rss_bytes: process.memoryUsage.rss(),
    });
  }, 10_000);
  await Promise.all(ended);
  const last_bytes = process.memoryUsage.rss();
  const deadline_ms = Date.now() + drain_s * 1000;
  const isWaiting = () =>
    stations.some((station) => station.tally().sinks.some(({ waiting }) => waiting > 0));
  // The last second of each is finished by its patience, so one look is not enough.
  await delay(3000);
  for (const station of stations) station.status();
  while (isWaiting() && Date.now() < deadline_ms) await delay(200);
  clearInterval(progress);
  const { system, user } = process.cpuUsage(cpuBefore);
  const tallies = stations.map((station) => station.tally());
  await say({ kind: 'done', tallies, cpu_s: (system + user) / 1e6, last_bytes });
  await Promise.all(stations.map((station) => station.stop()));
}

/** Feeds whole seconds of the wall clock, each a while after its end: stations do not all speak at the same instant. */
async function live(station: Station, run_s: number, phase: number): Promise<void> {
  let next_ms = Math.ceil(Date.now() / 1000) * 1000;
  const end_ms = next_ms + run_s * 1000;
  for (; next_ms < end_ms; next_ms += 1000) {
    const due_ms = next_ms + 1000 + 900 * phase;
    await delay(Math.max(0, due_ms - Date.now()));
    station.second(next_ms);
  }
  station.finish();
}
