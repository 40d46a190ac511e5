/**
 * A rig, the recorder that reads it and the server's intake in one process on one simulated clock. Real protocol bytes go through
 * the real drivers over lines in memory; only the waiting is left out.
 */
import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import type { RigConfig } from '../../config/rig.ts';
import { analyse } from '../../daemon/analysis/analyse.ts';
import type { Verdict } from '../../daemon/analysis/verdict.ts';
import { type Recorder, startRecorder } from '../../daemon/recorder/recorder.ts';
import { type EventStore, openEventStore } from '../../daemon/server/event-store.ts';
import { SimulatedClock } from '../../daemon/simulated-clock.ts';
import { readEventHeader } from '../../daemon/store/event-folder.ts';
import { MemoryLines } from '../../daemon/virtual-rig/memory-lines.ts';
import type { RigSpec } from '../../daemon/virtual-rig/rig-spec.ts';
import { type RunningRig, runRig } from '../../daemon/virtual-rig/run-rig.ts';
import type { TripTruth } from '../../daemon/virtual-rig/truth.ts';
import { createDriver } from '../../drivers/registry.ts';
import { silentLog } from './silent-log.ts';

/** An event has settled 8 s after its trip at the latest, and is written; in s. */
const afterEnd_s = 10;

export interface SimulatedRun {
  readonly truths: readonly TripTruth[];
  readonly events: readonly JudgedEvent[];
  /** Trips without an event, by their number. */
  readonly missed: readonly number[];
  /** Events without a trip. */
  readonly falseEvents: readonly string[];
  readonly scansLost: number;
  readonly simulated_s: number;
  readonly real_s: number;
  /** Processor time, which a busy machine does not stretch as much, in s. */
  readonly processor_s: number;
}

/** One event and what was made of it. */
export interface JudgedEvent {
  readonly id: string;
  /** On the clock of the run, in s. */
  readonly trip_s: number;
  readonly verdict: Verdict;
}

/**
 * Runs until the rig has made its trips, or for `most_s` of its own time. `config` has the lines of `spec`; its data folder gets
 * what a recorder writes.
 */
export async function simulateRun(spec: RigSpec, config: RigConfig, most_s: number): Promise<SimulatedRun> {
  const started_ms = performance.now();
  const used = process.cpuUsage();
  const clock = new SimulatedClock({ monotonic_s: 1000, wall_ms: Date.UTC(2026, 5, 1) });
  const lines = new MemoryLines(clock);
  const truths: TripTruth[] = [];
  const rig = await runRig(spec, {
    clock,
    makePort: lines.makePort,
    truthFolder: null,
    onTruth: (truth) => truths.push(truth),
    onEnd: () => clock.setTimeout(() => clock.stop(), afterEnd_s * 1000),
  });
  const recorder = await startRecorder(wiredTo(config, rig), {
    serverModule: null,
    createDriver: (line) => createDriver(line, lines.machine),
    log: silentLog(),
    clock,
  });
  const store = openEventStore({
    dataFolder: config.dataFolder,
    software: 'simulated run',
    analyse,
    now_s: clock.monotonic_s,
  });
  const events = judgeEach(recorder, store, clock);
  const open = new Set<string>();
  recorder.on('trip', ({ event }) => open.add(event));
  recorder.on('event-closed', ({ event }) => open.delete(event));
  await clock.run(most_s);
  const { user, system } = process.cpuUsage(used);
  // A record that is open at the end is waited for, and so is the truth, which the rig gives when all has settled.
  const isUnderWay = () => open.size > 0 || compared(truths, events).falseEvents.length > 0;
  for (let more_s = 0; more_s < afterEnd_s && isUnderWay(); more_s++) await clock.run(1);
  const simulated_s = clock.monotonic_s() - rig.base_s;
  await clock.runUntil(recorder.stop());
  await rig.stop();
  await store.close();
  const lost = recorder.status().lines.map(({ counters }) => counters['scansLost'] ?? 0);
  return {
    truths,
    events,
    ...compared(truths, events),
    scansLost: lost.reduce((sum, scans) => sum + scans, 0),
    simulated_s,
    real_s: (performance.now() - started_ms) / 1000,
    processor_s: (user + system) / 1e6,
  };
}

/** The rig names its ports. */
function wiredTo(config: RigConfig, rig: RunningRig): RigConfig {
  const lines = config.lines.map((line) => {
    const port = rig.ports.find((candidate) => candidate.line === line.id);
    if (line.driver === 'recording' || port === undefined) return line;
    const { address } = port;
    if (address.kind === 'tcp') return { ...line, link: address };
    if (line.link.kind !== 'serial') throw new RangeError(`line ${line.id} is no serial port`);
    return { ...line, link: { ...line.link, path: address.path } };
  });
  return { ...config, lines };
}

/** The clock stands while an event is judged: at this speed the verdict would come minutes late. */
function judgeEach(recorder: Recorder, store: EventStore, clock: SimulatedClock): readonly JudgedEvent[] {
  const events: JudgedEvent[] = [];
  const judge = async (id: string, folder: string): Promise<void> => {
    const ingested = await store.ingest(id);
    if (ingested === null || ingested.file === null)
      throw new Error(`event ${id} has no verdict: ${ingested?.trouble ?? 'it is not there'}`);
    const { trip } = await readEventHeader(folder);
    const verdict = JSON.parse(readFileSync(join(folder, ingested.file), 'utf8')) as Verdict;
    events.push({ id, trip_s: trip.time_s, verdict });
  };
  recorder.on('event-closed', ({ event, folder }) => void clock.hold(judge(event, folder)));
  return events;
}

/** A trip and its event are one when they lie so near to each other, in s. */
const sameTrip_s = 0.3;

function compared(truths: readonly TripTruth[], events: readonly JudgedEvent[]) {
  const isOf = (event: JudgedEvent, truth: TripTruth) =>
    Math.abs(event.trip_s - truth.driveLost_s) < sameTrip_s;
  const seconds = truths.flatMap((truth) => events.filter((event) => isOf(event, truth)).slice(1));
  return {
    missed: truths.filter((truth) => !events.some((event) => isOf(event, truth))).map(({ trip }) => trip),
    falseEvents: events
      .filter((event) => seconds.includes(event) || !truths.some((truth) => isOf(event, truth)))
      .map(({ id }) => id),
  };
}
