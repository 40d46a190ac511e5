/**
 * From the end of an event to its verdict on a screen. Made-up trips are handed to running recorders at their real instants;
 * each has its own server process, and a WebSocket client listens as a browser does. Counted from the instant at which the
 * whole folder lies on the disk; how much longer it is from the last sample of the record stands in the note.
 */

import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join, resolve } from 'node:path';
import { setTimeout as delay } from 'node:timers/promises';
import { type Recorder, startRecorder } from '../../daemon/recorder/recorder.ts';
import type { EventView, LiveMessage } from '../../daemon/web/wire.ts';
import { monotonic_s } from '../../drivers/driver.ts';
import { pushedLine } from '../support/pushed-line.ts';
import { blockOf, ordinaryTrip, PushedDriver, recorderRig, tripScene } from '../support/recorder-rig.ts';
import { silentLog } from '../support/silent-log.ts';
import type { BenchRow } from './row.ts';

const serverModule = resolve(import.meta.dirname, '../../daemon/server/main.ts');
const interval_s = 200e-6;
const scans = 25;
/** Recorders that run side by side, each with a server, and trips of each. */
const rigs = 3;
const trips = 9;
const period_s = 4;
const limit_ms = 300;
/** Longest wait for a server to listen and for the last verdict, in s. */
const patience_s = 15;

/** One event: from the whole folder, and from the last sample, to the verdict in the client. */
interface Latency {
  readonly fromFolder_ms: number;
  readonly fromSample_ms: number;
}

export async function bench(report: (row: BenchRow) => void): Promise<void> {
  const found = (await Promise.all(Array.from({ length: rigs }, (_, k) => runRig(k)))).flat();
  const fromFolder = sorted(found.map(({ fromFolder_ms }) => fromFolder_ms));
  const fromSample = sorted(found.map(({ fromSample_ms }) => fromSample_ms));
  const p99_ms = at(fromFolder, 0.99);
  report({
    name: 'event closed -> verdict in a WebSocket client, p99',
    figure: Math.round(p99_ms * 10) / 10,
    unit: 'ms',
    target: `<= ${limit_ms}`,
    meets: found.length === rigs * trips && p99_ms <= limit_ms,
    note:
      `${found.length} of ${rigs * trips} events of ${rigs} recorders at once (the p99 of so few is the slowest), median ` +
      `${at(fromFolder, 0.5).toFixed(1)} ms; from the last sample of the record: median ${at(fromSample, 0.5).toFixed(0)} ms, ` +
      `p99 ${at(fromSample, 0.99).toFixed(0)} ms. Recorder, server and client share this machine with whatever else runs on it`,
  });
}

function sorted(values: number[]): number[] {
  return values.sort((a, b) => a - b);
}

function at(values: readonly number[], share: number): number {
  return values[Math.min(values.length - 1, Math.ceil(values.length * share) - 1)] ?? Number.NaN;
}

async function runRig(seed: number): Promise<Latency[]> {
  const dataFolder = mkdtempSync(join(tmpdir(), 'tripwave-bench-'));
  const config = recorderRig({ dataFolder });
  const driver = new PushedDriver(interval_s);
  const recorder = await startRecorder(
    { ...config, lines: [pushedLine], windows: { ...config.windows, afterSeating_s: 1 } },
    { serverModule, createDriver: () => driver, log: silentLog() },
  );
  const closed = new Map<string, number>();
  recorder.on('event-closed', ({ event, closed_s }) => closed.set(event, closed_s));
  const port = await portOf(recorder);
  const seen = new Map<string, number>();
  const client = await listen(port, seen);
  await feed(driver, seed);
  const end_s = monotonic_s() + patience_s;
  while (seen.size < trips && monotonic_s() < end_s) await delay(20);
  const found: Latency[] = [];
  for (const [event, seen_s] of seen) {
    const closed_s = closed.get(event);
    const response = await fetch(`http://127.0.0.1:${port}/api/events/${event}`);
    const { window } = (await response.json()) as EventView;
    if (closed_s === undefined) continue;
    found.push({
      fromFolder_ms: (seen_s - closed_s) * 1000,
      fromSample_ms: (seen_s - window.to_s) * 1000,
    });
  }
  client.close();
  await recorder.stop();
  rmSync(dataFolder, { recursive: true, force: true });
  return found;
}

function portOf(recorder: Recorder): Promise<number> {
  return new Promise((resolve, reject) => {
    const timer = setTimeout(() => reject(new Error('the server does not listen')), patience_s * 1000);
    recorder.on('ready', ({ port }) => {
      clearTimeout(timer);
      resolve(port);
    });
  });
}

/** Notes when the first verdict of each event arrives, parsed as a page would. */
async function listen(port: number, seen: Map<string, number>): Promise<WebSocket> {
  const socket = new WebSocket(`ws://127.0.0.1:${port}/api/live`);
  socket.binaryType = 'arraybuffer';
  socket.onmessage = ({ data }) => {
    if (typeof data !== 'string') return;
    const message = JSON.parse(data) as LiveMessage;
    if (message.kind !== 'event' || message.event.verdict === null || seen.has(message.event.id)) return;
    seen.set(message.event.id, monotonic_s());
  };
  await new Promise((resolve, reject) => {
    socket.onopen = resolve;
    socket.onerror = reject;
  });
  return socket;
}

/** The trips of the rigs fall at different times, so that sometimes two end together. */
async function feed(driver: PushedDriver, seed: number): Promise<void> {
  const scene = tripScene(
    { ...ordinaryTrip, trip_s: 2 + 0.31 * seed, noise_Pa: 1000, fill_Paps: 0 },
    seed + 1,
  );
  const block_s = scans * interval_s;
  const start_s = monotonic_s();
  for (let scan = 0; scan * interval_s < trips * period_s; scan += scans) {
    const block = blockOf((time_s) => scene(time_s % period_s), 0, scan, scans, interval_s);
    const wait_s = start_s + block.time_s + block_s - monotonic_s();
    if (wait_s > 0) await delay(wait_s * 1000);
    driver.sink?.block({ ...block, time_s: start_s + block.time_s });
  }
}
