import { afterEach, beforeEach, expect, test } from 'vitest';
import { startRecorder } from '../../daemon/recorder/recorder.ts';
import { loadEvent } from '../../daemon/store/load-record.ts';
import type { LineSpec } from '../../drivers/line-spec.ts';
import { temporaryFolder } from '../support/event-builder.ts';
import { PushedDriver, recorderRig } from '../support/recorder-rig.ts';
import { silentLog } from '../support/silent-log.ts';
import { feedInterval_s, TripFeed } from '../support/trip-feed.ts';

let folder: ReturnType<typeof temporaryFolder>;
beforeEach(() => {
  folder = temporaryFolder();
});
afterEach(() => folder.remove());

/** Only named: the blocks are pushed. */
const line: LineSpec = {
  driver: 'serial-frames',
  id: 'stream',
  link: { kind: 'tcp', host: '127.0.0.1', port: 1 },
  framing: { kind: 'binary' },
  rate_Hz: 500,
  delay_s: 0,
  channels: [],
};

test('a port that will not close costs neither the open event nor the lock of the data folder', async () => {
  const config = { ...recorderRig({ dataFolder: folder.path }), lines: [line] };
  const driver = new PushedDriver(feedInterval_s);
  driver.stop = async () => {
    throw new Error('Bad file descriptor, cannot close');
  };
  const log = silentLog();
  const recorder = await startRecorder(config, { serverModule: null, createDriver: () => driver, log });
  const folders: string[] = [];
  recorder.on('event-closed', ({ folder: path }) => folders.push(path));
  // Into the middle of an event.
  new TripFeed(driver).push(3.2);
  await recorder.stop();
  expect(folders).toHaveLength(1);
  expect((await loadEvent(folders[0])).header.closedBecause).toBe('truncated');
  expect(log.lines).toContainEqual({
    level: 'error',
    message: 'line did not close in order',
    details: { line: 'stream', why: 'Bad file descriptor, cannot close' },
  });
  const options = { serverModule: null, createDriver: () => new PushedDriver(feedInterval_s), log };
  await (await startRecorder(config, options)).stop();
});
