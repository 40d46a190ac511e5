/**
 * A recorder in a process of its own, to be killed: records an ordinary trip up to `until_s` of the scene (the pump stops at 3.012 s,
 * the valve seats `seating_s` later),
 * commits it, and then stands still with what it has opened. Says `trip <id>`, `event <id>` and `committed`.
 */
import { flushCompileCache } from 'node:module';
import { setTimeout as delay } from 'node:timers/promises';
import { startRecorder } from '../../daemon/recorder/recorder.ts';
import { monotonic_s } from '../../drivers/driver.ts';
import { watchedLine } from './pushed-line.ts';
import { blockOf, ordinaryTrip, PushedDriver, recorderRig, tripScene } from './recorder-rig.ts';
import { silentLog } from './silent-log.ts';

// It is killed before Node would keep what was compiled.
flushCompileCache();

const [dataFolder = '', until_s = '', seating_s = ''] = process.argv.slice(2);
const interval_s = 0.002;
const scans = 25;
const driver = new PushedDriver(interval_s);
const recorder = await startRecorder(
  { ...recorderRig({ dataFolder }), lines: [watchedLine] },
  { serverModule: null, createDriver: () => driver, log: silentLog() },
);
recorder.on('trip', ({ event }) => process.stdout.write(`trip ${event}\n`));
recorder.on('event-closed', ({ event }) => process.stdout.write(`event ${event}\n`));
const scene = tripScene({ ...ordinaryTrip, seating_s: Number(seating_s) });
const start_s = monotonic_s();
for (let scan = 0; scan * interval_s < Number(until_s); scan += scans) {
  const block = blockOf(scene, 0, scan, scans, interval_s);
  driver.sink?.block({ ...block, time_s: start_s + block.time_s });
}
const { ringCommitsDone = 0 } = recorder.status().counters;
while ((recorder.status().counters['ringCommitsDone'] ?? 0) < ringCommitsDone + 2) await delay(20);
process.stdout.write('committed\n');
