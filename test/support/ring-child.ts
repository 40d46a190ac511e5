/** A recorder in a process of its own at the pace of the clock; says how many scans it was given and which commit stands; to be killed. */
import { flushCompileCache } from 'node:module';
import { startRecorder } from '../../daemon/recorder/recorder.ts';
import { monotonic_s } from '../../drivers/driver.ts';
import { pushedLine } from './pushed-line.ts';
import { PushedDriver, recorderRig } from './recorder-rig.ts';
import { silentLog } from './silent-log.ts';

// It is killed before Node would keep what was compiled.
flushCompileCache();

const [dataFolder] = process.argv.slice(2);
const interval_s = 0.001;
const scans = 20;
const driver = new PushedDriver(interval_s);
const recorder = await startRecorder(
  { ...recorderRig({ dataFolder }), lines: [pushedLine] },
  { serverModule: null, createDriver: () => driver, log: silentLog() },
);
let scan = 0;
setInterval(() => {
  driver.sink?.block({
    group: 0,
    scan,
    scans,
    time_s: monotonic_s(),
    interval_s,
    halfWidth_s: interval_s,
    // The contact stays closed, nothing moves: no trip.
    raw: Int32Array.from({ length: scans * 4 }, (_, k) => [2000 + ((scan + k) % 3), 2000, 2500, 1][k % 4]!),
    quality: new Uint8Array(scans),
    lostBefore: 0,
  });
  scan += scans;
  process.stdout.write(`${scan} ${recorder.status().counters['ringCommitsDone']}\n`);
}, 20);
