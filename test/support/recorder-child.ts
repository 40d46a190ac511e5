/**
 * A recorder in a process of its own that records trip after trip and says each acknowledged event; to be killed:
 *   node test/support/recorder-child.ts DATA-FOLDER [SERVER-MODULE]
 */

import { flushCompileCache } from 'node:module';
import { setTimeout as delay } from 'node:timers/promises';
import { startRecorder } from '../../daemon/recorder/recorder.ts';
import { pushedLine } from './pushed-line.ts';
import { PushedDriver, recorderRig } from './recorder-rig.ts';
import { silentLog } from './silent-log.ts';
import { feedInterval_s, TripFeed } from './trip-feed.ts';

// It is killed before Node would keep what was compiled.
flushCompileCache();

const [dataFolder, serverModule = null] = process.argv.slice(2);
const driver = new PushedDriver(feedInterval_s);
const recorder = await startRecorder(
  { ...recorderRig({ dataFolder }), lines: [pushedLine] },
  { serverModule, createDriver: () => driver, log: silentLog() },
);
recorder.on('event-closed', ({ event }) => process.stdout.write(`${event}\n`));
const feed = new TripFeed(driver);
for (;;) {
  feed.push(0.5);
  await delay(1);
}
