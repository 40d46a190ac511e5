/** What was applied stands in the event as it was, and the analysis sees corrected values. */
import { afterEach, beforeEach, expect, test } from 'vitest';
import type { CalibrationEntry, RigConfig } from '../../config/rig.ts';
import { readLedger } from '../../daemon/instruments/calibration-ledger.ts';
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

function zero(from_ms: number, reading: number): CalibrationEntry {
  const points = [{ reference: 0, reading }];
  return {
    from_ms,
    kind: 'zero',
    points,
    repeatability: null,
    referenceUncertainty: null,
    certificate: 'C-7',
    due_ms: null,
    by: '',
    note: '',
    written: JSON.stringify(points),
  };
}

async function oneEvent(rig: RigConfig) {
  const driver = new PushedDriver(feedInterval_s);
  const recorder = await startRecorder(
    { ...rig, dataFolder: folder.path, lines: [line] },
    { serverModule: null, createDriver: () => driver, log: silentLog() },
  );
  const closed = new Promise<string>((resolve) => {
    recorder.on('event-closed', ({ folder: path }) => resolve(path));
  });
  const feed = new TripFeed(driver);
  const timer = setInterval(() => feed.push(0.5), 1);
  const path = await closed;
  clearInterval(timer);
  const status = recorder.status();
  await recorder.stop();
  return { ...(await loadEvent(path)), status };
}

test('an event carries the calibration that held, and nothing that could be applied again', async () => {
  const plain = recorderRig();
  const [outlet, tank, ...others] = plain.channels;
  const calibrations = [zero(Date.UTC(2026, 2, 2), 5000), zero(Date.UTC(2999, 0, 1), 7000)];
  const rig = { ...plain, channels: [outlet, { ...tank, calibrations }, ...others] };
  const { header, series, status } = await oneEvent(rig);
  const stored = header.config.channels[1];
  expect(stored.calibrations).toBeUndefined();
  expect(stored.calibration).toMatchObject({
    version: 1,
    certificate: 'C-7',
    correction: { offset: -5000, scale: 1 },
  });
  expect(stored.offset).toBe(-5000);
  const after = series.get('tank')!;
  const before = await oneEvent({ ...plain, name: 'The same, never calibrated' });
  expect(after.value[100] + 5000).toBeCloseTo(before.series.get('tank')!.value[100], -3);
  expect(status.channels).toMatchObject([
    { channel: 'tank', class: 'good', text: '', calibration: { version: 1 } },
  ]);
  expect(before.status.channels).toBeUndefined();
  expect((await readLedger(folder.path)).map(({ channel, version }) => [channel, version])).toEqual([
    ['tank', 1],
  ]);
});

test('a recorder does not start on a calibration that was edited after its first use', async () => {
  const plain = recorderRig({ dataFolder: folder.path });
  const [outlet, ...others] = plain.channels;
  const rigWith = (reading: number) => ({
    ...plain,
    lines: [line],
    channels: [{ ...outlet, calibrations: [zero(Date.UTC(2026, 2, 2), reading)] }, ...others],
  });
  const options = { serverModule: null, createDriver: () => new PushedDriver(1), log: silentLog() };
  await (await startRecorder(rigWith(100), options)).stop();
  await expect(startRecorder(rigWith(101), options)).rejects.toThrow('put it back as it was');
  // The lock is free again.
  await (await startRecorder(rigWith(100), options)).stop();
});

test('a calibration that begins while the recorder runs is in the next event, not in the one that was open', async () => {
  const plain = recorderRig({ dataFolder: folder.path });
  const [outlet, tank, ...others] = plain.channels;
  const calibrations = [zero(Date.now() + 100, 5000)];
  const driver = new PushedDriver(feedInterval_s);
  const recorder = await startRecorder(
    { ...plain, lines: [line], channels: [outlet, { ...tank, calibrations }, ...others] },
    { serverModule: null, createDriver: () => driver, log: silentLog() },
  );
  const folders: string[] = [];
  recorder.on('event-closed', ({ folder: path }) => folders.push(path));
  const feed = new TripFeed(driver);
  // Into the middle of an event: it stays open until more is pushed.
  feed.push(3.2);
  expect(recorder.status().phase).not.toBe('waiting');
  await expect.poll(() => Date.now() > calibrations[0].from_ms + 10).toBe(true);
  feed.push(3.8);
  await expect.poll(() => recorder.status().channels, { timeout: 10_000 }).toHaveLength(1);
  feed.pushTrip();
  await expect.poll(() => folders.length, { timeout: 10_000 }).toBe(2);
  await recorder.stop();
  const [first, second] = await Promise.all(folders.map((path) => loadEvent(path)));
  expect(first.header.config.channels[1].calibration).toBeUndefined();
  expect(second.header.config.channels[1].calibration?.version).toBe(1);
  const tankAt = (event: typeof first) => event.series.get('tank')!.value[50];
  expect(tankAt(first) - tankAt(second)).toBeCloseTo(5000, -2);
});
