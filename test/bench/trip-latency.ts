/**
 * From the trip on the wire to the trip declared. Blocks are handed to a running recorder at the real instants at which a
 * converter would send them, so the figures hold: waiting for the block to fill, timer and event loop, the data path and
 * the decision. They do not hold: the bytes on the serial line and their parsing (less than 1 ms at 921 600 baud).
 */

import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { setTimeout as delay } from 'node:timers/promises';
import { startRecorder } from '../../daemon/recorder/recorder.ts';
import { monotonic_s } from '../../drivers/driver.ts';
import { pushedLine } from '../support/pushed-line.ts';
import { blockOf, ordinaryTrip, PushedDriver, recorderRig, tripScene } from '../support/recorder-rig.ts';
import { silentLog } from '../support/silent-log.ts';
import type { BenchRow } from './row.ts';

const interval_s = 200e-6;
const scans = 25;
const block_s = interval_s * scans;
/** Rigs that run side by side, and trips of each. */
const rigs = 8;
const trips = 6;
/** One trip of the feed: long enough for the pressure to be calm before it. */
const period_s = 4;
const trip_s = 2;

/** Prints one row for a trip with run contact and one for a trip told by the pressure alone. */
export async function bench(report: (row: BenchRow) => void): Promise<void> {
  const contact = await latencies_ms(true);
  row(report, 'contact edge on the wire -> trip declared, p99', contact, block_s * 1000 + 5);
  const pressure = await latencies_ms(false);
  row(report, 'loss of drive -> trip declared from pressure alone, p99', pressure, block_s * 1000 + 45);
}

function row(
  report: (row: BenchRow) => void,
  name: string,
  found_ms: readonly number[],
  limit_ms: number,
): void {
  const sorted = [...found_ms].sort((a, b) => a - b);
  const p99_ms = sorted[Math.min(sorted.length - 1, Math.ceil(sorted.length * 0.99) - 1)];
  const isComplete = found_ms.length === rigs * trips;
  const median_ms = sorted[sorted.length >> 1];
  report({
    name,
    figure: Math.round(p99_ms * 10) / 10,
    unit: 'ms',
    target: `<= ${limit_ms} (one block of ${block_s * 1000} ms + ${limit_ms - block_s * 1000})`,
    meets: isComplete && p99_ms <= limit_ms,
    note:
      `${found_ms.length} of ${rigs * trips} trips, median ${median_ms.toFixed(1)} ms; blocks handed over at their real ` +
      'instants: with filling of the block, event loop, data path and decision, without the bytes on the line',
  });
}

async function latencies_ms(hasContact: boolean): Promise<number[]> {
  const found = await Promise.all(Array.from({ length: rigs }, (_, k) => runRig(k, hasContact)));
  return found.flat();
}

async function runRig(seed: number, hasContact: boolean): Promise<number[]> {
  const dataFolder = mkdtempSync(join(tmpdir(), 'tripwave-bench-'));
  const config = recorderRig({
    dataFolder,
    hasMeter: hasContact,
    ...(hasContact ? {} : { trip: { contact: null } }),
  });
  const driver = new PushedDriver(interval_s);
  const recorder = await startRecorder(
    { ...config, lines: [pushedLine], windows: { ...config.windows, afterSeating_s: 1 } },
    { serverModule: null, createDriver: () => driver, log: silentLog() },
  );
  // The trips of the rigs fall at different places of their blocks.
  const late_s = trip_s + seed * 0.0117;
  const scene = tripScene({ ...ordinaryTrip, trip_s: late_s, noise_Pa: 1000, fill_Paps: 0 }, seed + 1);
  const start_s = monotonic_s();
  const found: number[] = [];
  recorder.on('trip', ({ declared_s }) => {
    const k = Math.floor((declared_s - start_s) / period_s);
    const cause_s = start_s + k * period_s + late_s + (hasContact ? ordinaryTrip.contactDelay_s : 0);
    found.push((declared_s - cause_s) * 1000);
  });
  for (let scan = 0; scan * interval_s < trips * period_s; scan += scans) {
    const block = blockOf((time_s) => scene(time_s % period_s), 0, scan, scans, interval_s);
    const wait_s = start_s + block.time_s + block_s - monotonic_s();
    if (wait_s > 0) await delay(wait_s * 1000);
    driver.sink?.block({ ...block, time_s: start_s + block.time_s });
  }
  await recorder.stop();
  rmSync(dataFolder, { recursive: true, force: true });
  return found;
}
