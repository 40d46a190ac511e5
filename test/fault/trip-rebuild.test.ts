/** kill -9 of the recorder while an event is open: the next start makes the event from the disk ring, or says what is lost. */
import { spawn } from 'node:child_process';
import { appendFileSync, readdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { setTimeout as delay } from 'node:timers/promises';
import { afterEach, beforeEach, expect, test } from 'vitest';
import { analyse } from '../../daemon/analysis/analyse.ts';
import { type Recorder, startRecorder } from '../../daemon/recorder/recorder.ts';
import { openEventStore } from '../../daemon/server/event-store.ts';
import { type EventHeader, eventFolder, listEvents } from '../../daemon/store/event-folder.ts';
import { disk, type Files } from '../../daemon/store/files.ts';
import { gapLedgerPath, readGaps } from '../../daemon/store/gap-ledger.ts';
import { loadEvent } from '../../daemon/store/load-record.ts';
import { readTrips, tripLedgerPath } from '../../daemon/store/trip-ledger.ts';
import { type Clock, systemClock } from '../../drivers/clock.ts';
import { monotonic_s } from '../../drivers/driver.ts';
import { temporaryFolder } from '../support/event-builder.ts';
import { watchedLine } from '../support/pushed-line.ts';
import { blockOf, PushedDriver, recorderRig, type Scene } from '../support/recorder-rig.ts';
import { silentLog } from '../support/silent-log.ts';

let folder: ReturnType<typeof temporaryFolder>;
beforeEach(() => {
  folder = temporaryFolder();
});
afterEach(() => folder.remove());

const child = new URL('../support/trip-child.ts', import.meta.url).pathname;

/** Records up to `until_s` of the scene and kills when that is committed; what the recorder had said. */
async function recordAndKill(
  until_s: number,
  seating_s = 0.35,
): Promise<{ trips: string[]; events: string[] }> {
  const recorder = spawn(process.execPath, [child, folder.path, String(until_s), String(seating_s)], {
    stdio: ['ignore', 'pipe', 'inherit'],
  });
  let out = '';
  recorder.stdout.on('data', (text) => {
    out += String(text);
    if (out.includes('committed')) recorder.kill('SIGKILL');
  });
  await new Promise((resolve) => recorder.once('close', resolve));
  const said = (word: string) =>
    out.split('\n').flatMap((line) => (line.startsWith(`${word} `) ? [line.slice(word.length + 1)] : []));
  return { trips: said('trip'), events: said('event') };
}

const interval_s = 0.002;
const running: Scene = () => [4.1e5, 4e5, 2.5, 1];
const standing: Scene = () => [4e5, 4e5, 0, 0];

/** What is to be asked again after ten seconds is asked after half of one. */
const impatient: Clock = {
  ...systemClock,
  sleep: (time_s, signal) => systemClock.sleep(time_s < 1 ? time_s : time_s / 20, signal),
};

/** A disk that refuses to read where `isRefused` says so. */
function refusing(isRefused: (path: string) => boolean): Files {
  const mayRead = (path: string) => {
    if (isRefused(path)) throw Object.assign(new Error('EIO: i/o error, read'), { code: 'EIO' });
  };
  return {
    ...disk,
    async read(path) {
      mayRead(path);
      return await disk.read(path);
    },
    async openToRead(path) {
      const file = await disk.openToRead(path);
      return {
        ...file,
        async read(at, length) {
          // Its head can be read.
          if (at > 0) mayRead(path);
          return await file.read(at, length);
        },
      };
    },
  };
}

/** Starts a recorder that is fed with a scene from now on, until `isDone`. */
async function restart(
  scene: Scene,
  isDone: (recorder: Recorder) => boolean | Promise<boolean>,
  files: Files = disk,
): Promise<void> {
  const driver = new PushedDriver(interval_s);
  const config = { ...recorderRig({ dataFolder: folder.path }), lines: [watchedLine] };
  const log = silentLog();
  const recorder = await startRecorder(config, {
    serverModule: null,
    createDriver: () => driver,
    log,
    files,
    clock: impatient,
  });
  const deadline = Date.now() + 20_000;
  for (let scan = 0; !(await isDone(recorder)); scan += 25) {
    expect(Date.now(), JSON.stringify(log.lines)).toBeLessThan(deadline);
    driver.sink?.block({ ...blockOf(scene, 0, scan, 25, interval_s), time_s: monotonic_s() });
    await delay(40);
  }
  await recorder.stop();
}

const nothingOwed = async () => (await readTrips(folder.path, disk)).owed.length === 0;
const isGapStated = async () => (await readGaps(folder.path, disk)).length > 0;

function headerOf(id: string): EventHeader {
  return JSON.parse(readFileSync(join(eventFolder(folder.path, id), 'event.json'), 'utf8'));
}

test('a trip whose recorder was killed while its event was open is rebuilt and judged', async () => {
  const { trips, events } = await recordAndKill(4.4);
  expect({ trips: trips.length, events }).toEqual({ trips: 1, events: [] });
  const [id = ''] = trips;
  const declared = (await readTrips(folder.path, disk)).owed[0]!;
  expect(declared).toMatchObject({ event: id, source: 'contact' });
  await restart(standing, nothingOwed);

  expect(await listEvents(folder.path)).toEqual([id]);
  const header = headerOf(id);
  expect(header.trip).toEqual({
    source: 'contact',
    time_s: declared.trip_s,
    declared_s: declared.declared_s,
  });
  expect(header.boot).toBe(declared.boot);
  expect(header.closedBecause).toBe('truncated');
  const { rebuilt } = header;
  expect(rebuilt?.reason).toMatch(/made from the disk ring/);
  // A whole record ends 8 s after the trip at the latest; the feed ended 1.4 s after it.
  const trip_s = header.trip.time_s;
  expect(rebuilt?.missing).toHaveLength(1);
  const [missing] = rebuilt!.missing;
  expect(missing).toMatchObject({ line: 'stream', group: 'stream' });
  expect(missing!.from_s - trip_s).toBeCloseTo(4.4 - 3.012, 1);
  expect(missing!.to_s - trip_s).toBeCloseTo(8, 6);
  const { from_ms = 0, to_ms = 0 } = rebuilt?.noRecorder ?? {};
  expect(to_ms).toBeGreaterThan(from_ms - 5000);
  const { damage, record } = await loadEvent(eventFolder(folder.path, id));
  expect(damage).toEqual([]);
  // 1.5 s before the trip and 1.4 s after it, all of it.
  expect(record.legs[0]!.outlet.time_s.length).toBeCloseTo((1.5 + 4.4 - 3.012) / interval_s, -1);

  const ingest = openEventStore({ dataFolder: folder.path, software: 'test', analyse });
  await ingest.scan();
  const view = await ingest.get(id);
  expect(view?.rebuilt).toEqual(rebuilt);
  expect(view?.verdict?.tripSource).toBe('contact');
  const { results } = view!.verdict!.legs[0]!;
  // The pump stops 12 ms before its contact shows it, and the valve seats 0.35 s after the stop.
  expect(results.seating.value).toBeCloseTo(0.35 - 0.012, 2);
  await ingest.close();
});

test.each([
  // The ringing is over at some 5.1 s; killed before the folder had its name.
  ['', 9, 0.35],
  ['of a valve that seats 0.4 s before the end of the wait for it ', 15, 7.6],
])(
  'a record %sthat was whole when the recorder died ends where it would have ended',
  async (_, until_s, seating_s) => {
    await recordAndKill(until_s, seating_s);
    const [id = ''] = await listEvents(folder.path);
    const whole = headerOf(id);
    const ledger = readFileSync(tripLedgerPath(folder.path), 'utf8').split('\n');
    writeFileSync(
      tripLedgerPath(folder.path),
      ledger.filter((line) => !line.includes('"closed"')).join('\n'),
    );
    rmSync(eventFolder(folder.path, id), { recursive: true });
    await restart(standing, nothingOwed);
    const again = headerOf(id);
    expect(again.closedBecause).toBe(whole.closedBecause);
    expect(again.window.from_s).toBe(whole.window.from_s);
    expect(Math.abs(again.window.to_s - whole.window.to_s)).toBeLessThan(0.1);
    expect(again.groups[0]!.scansLost).toBe(0);
    expect(again.rebuilt?.missing).toEqual([]);
  },
);

test('killed between the name of the folder and the closing line, the event is there once', async () => {
  const { events } = await recordAndKill(9);
  expect(events).toHaveLength(1);
  const before = readFileSync(join(eventFolder(folder.path, events[0]!), 'event.json'), 'utf8');
  const ledger = readFileSync(tripLedgerPath(folder.path), 'utf8').split('\n');
  writeFileSync(tripLedgerPath(folder.path), ledger.filter((line) => !line.includes('"closed"')).join('\n'));
  expect(await nothingOwed()).toBe(false);
  await restart(standing, nothingOwed);
  expect(await listEvents(folder.path)).toEqual(events);
  expect(readFileSync(join(eventFolder(folder.path, events[0]!), 'event.json'), 'utf8')).toBe(before);
});

test('a torn last line spoils no declaration', async () => {
  const { trips } = await recordAndKill(4.4);
  appendFileSync(tripLedgerPath(folder.path), '{"kind":"closed","event":"');
  await restart(standing, nothingOwed);
  expect(await listEvents(folder.path)).toEqual(trips);
  expect((await readTrips(folder.path, disk)).linesTorn).toBe(0);
});

test('a trip of which the ring holds nothing stays on record by name', async () => {
  const { trips } = await recordAndKill(4.4);
  rmSync(join(folder.path, 'ring'), { recursive: true });
  let troubles: readonly object[] = [];
  await restart(standing, (recorder) => {
    troubles = recorder.status().gaps ?? [];
    return troubles.length > 0;
  });
  expect(await listEvents(folder.path)).toEqual([]);
  expect(troubles).toMatchObject([{ kind: 'trip-lost', event: trips[0], source: 'contact' }]);
  expect(await readGaps(folder.path, disk)).toEqual(troubles);
  // It is not looked for again, and still said at the next start.
  await restart(standing, (recorder) => (recorder.status().gaps ?? []).length > 0);
  expect(await readGaps(folder.path, disk)).toHaveLength(1);
});

test('a pump that stopped while no recorder ran is named, one that ran on or stood is not', async () => {
  await recordAndKill(2.5);
  let unrecorded = 0;
  await restart(standing, async (recorder) => {
    unrecorded = recorder.status().counters['tripsUnrecorded'] ?? 0;
    return isGapStated();
  });
  expect(unrecorded).toBe(1);
  const [first] = await readGaps(folder.path, disk);
  expect(first).toMatchObject({ kind: 'no-recorder', isClean: false, pump: 'stopped' });
  // The run before now stood, and ended in order.
  const count = async (n: number) => (await readGaps(folder.path, disk)).length === n;
  await restart(running, () => count(2));
  expect((await readGaps(folder.path, disk))[1]).toMatchObject({ isClean: true, pump: 'at-rest' });
  await restart(running, () => count(3));
  const [, , third] = await readGaps(folder.path, disk);
  expect(third).toMatchObject({ isClean: true, pump: 'running' });
  expect(third?.kind === 'no-recorder' && third.to_ms > third.from_ms).toBe(true);
});

test('a run that was killed before it had said anything of the one before costs no gap its name', async () => {
  await recordAndKill(2.5);
  await recordAndKill(2.5);
  const stated = readFileSync(gapLedgerPath(folder.path), 'utf8');
  expect(JSON.parse(stated)).toMatchObject({ pump: 'running' });
  rmSync(gapLedgerPath(folder.path));
  await restart(standing, async () => (await readGaps(folder.path, disk)).length === 2);
  const [first, second] = await readGaps(folder.path, disk);
  const { after, from_ms, to_ms } = JSON.parse(stated);
  expect(first).toMatchObject({ after, from_ms, pump: 'running' });
  expect(first?.kind === 'no-recorder' && Math.abs(first.to_ms - to_ms)).toBeLessThan(100);
  expect(second).toMatchObject({ pump: 'stopped' });
});

test('a pump that stops before a new run is ready to declare its trip is named', async () => {
  await recordAndKill(4.4);
  // It stood when the run before ended, runs at the first sample and stops 0.02 s later: too soon to be a trip.
  const soon: Scene = (time_s) => (time_s < 0.02 ? running(time_s) : standing(time_s));
  const isNamed = async () => {
    const [gap] = await readGaps(folder.path, disk);
    return gap?.kind === 'no-recorder' && gap.pump === 'stopped';
  };
  await restart(soon, isNamed);
});

test.each([
  ['for a whole block', 0.05],
  ['for some scans of one block', 0.01],
])('a contact that bounces %s at a start of the pump is no pump that stopped', async (_how, off_s) => {
  await recordAndKill(4.4);
  // It stood when the run before ended and starts 0.1 s after the first sample.
  const start: Scene = (time_s) => {
    const isOn = time_s >= 0.1 && !(time_s >= 0.15 && time_s < 0.15 + off_s);
    return isOn ? running(time_s) : standing(time_s);
  };
  let unrecorded = 0;
  const until_ms = Date.now() + 4000;
  await restart(start, async (recorder) => {
    unrecorded = recorder.status().counters['tripsUnrecorded'] ?? 0;
    return Date.now() > until_ms && (await isGapStated());
  });
  expect(unrecorded).toBe(0);
  expect(await readGaps(folder.path, disk)).toMatchObject([{ pump: 'at-rest' }]);
  // What the next start makes of these samples.
  await restart(running, async () => (await readGaps(folder.path, disk)).length === 2);
  expect(await readGaps(folder.path, disk)).toMatchObject([{ pump: 'at-rest' }, { pump: 'running' }]);
});

test('a pump that stops 0.2 s after the first sample of a new run has its event', async () => {
  await recordAndKill(4.4);
  const soon: Scene = (time_s) => (time_s < 0.2 ? running(time_s) : standing(time_s));
  await restart(soon, async (recorder) => {
    const { tripsDeclared = 0 } = recorder.status().counters;
    // The one that was owed is made once it is known whether this pump stopped too soon.
    return tripsDeclared > 0 && (await listEvents(folder.path)).length > 1;
  });
  expect(await nothingOwed()).toBe(true);
  expect(await listEvents(folder.path)).toHaveLength(2);
});

test('a declared trip is no pump that stopped unseen', async () => {
  await recordAndKill(4.4);
  await restart(standing, isGapStated);
  expect(await readGaps(folder.path, disk)).toMatchObject([{ kind: 'no-recorder', pump: 'at-rest' }]);
});

test('a stop that is in the ring and was never put on record has its event all the same, once', async () => {
  const { trips } = await recordAndKill(4.4);
  const declared = (await readTrips(folder.path, disk)).owed[0]!;
  rmSync(tripLedgerPath(folder.path));
  await restart(standing, async () => (await listEvents(folder.path)).length === 1 && (await nothingOwed()));
  const [id = ''] = await listEvents(folder.path);
  const { trip, boot, rebuilt } = headerOf(id);
  expect(trip.source).toBe('contact');
  expect(Math.abs(trip.time_s - declared.trip_s)).toBeLessThan(0.003);
  expect({ boot, second: id.slice(0, 15) }).toEqual({ boot: declared.boot, second: trips[0]!.slice(0, 15) });
  expect(rebuilt).toBeDefined();
});

test('a stop whose event is there is not taken for another where the ledger is of an older version', async () => {
  const { events } = await recordAndKill(6);
  expect(events).toHaveLength(1);
  rmSync(tripLedgerPath(folder.path));
  await restart(standing, isGapStated);
  await restart(standing, async () => (await readGaps(folder.path, disk)).length === 2);
  expect(await listEvents(folder.path)).toEqual(events);
});

test('an event of the run before never takes the name of another', async () => {
  const { trips } = await recordAndKill(4.4);
  const taken = eventFolder(folder.path, trips[0]!);
  await disk.makeFolder(taken);
  writeFileSync(join(taken, 'event.json'), '{}');
  await restart(standing, nothingOwed);
  expect(await listEvents(folder.path)).toHaveLength(2);
  expect(readdirSync(taken)).toEqual(['event.json']);
});

test('a recorder that may not put the loss of a trip on record stops all the same', {
  timeout: 30_000,
}, async () => {
  await recordAndKill(4.4);
  rmSync(join(folder.path, 'ring'), { recursive: true });
  const files = {
    ...disk,
    async append(path: string) {
      if (path !== tripLedgerPath(folder.path)) return await disk.append(path);
      throw Object.assign(new Error('no space left on device'), { code: 'ENOSPC' });
    },
  };
  const driver = new PushedDriver(interval_s);
  const config = { ...recorderRig({ dataFolder: folder.path }), lines: [watchedLine] };
  const log = silentLog();
  const options = { serverModule: null, createDriver: () => driver, log, files };
  const recorder = await startRecorder(config, options);
  driver.sink?.block({ ...blockOf(standing, 0, 0, 25, interval_s), time_s: monotonic_s() });
  await expect.poll(() => recorder.status().gaps ?? [], { timeout: 10_000 }).toHaveLength(1);
  await recorder.stop();
  expect(recorder.status().counters['tripLinesGivenUp']).toBeGreaterThan(0);
  // The next start owes it still.
  expect((await readTrips(folder.path, disk)).owed).toHaveLength(1);
});

const declaredTwice = () =>
  readFileSync(tripLedgerPath(folder.path), 'utf8')
    .split('\n')
    .filter((line) => line.includes('"kind":"declared"')).length > 1;

test('a ledger of gaps that cannot be read costs no trip its event', async () => {
  const { trips } = await recordAndKill(4.4);
  writeFileSync(gapLedgerPath(folder.path), '');
  const files = refusing((path) => path === gapLedgerPath(folder.path));
  await restart(standing, nothingOwed, files);
  expect(await listEvents(folder.path)).toEqual(trips);
  expect(declaredTwice()).toBe(false);
});

test('a ledger of trips that cannot be read at the start is read later; its trip has one event and one declaration', async () => {
  const { trips } = await recordAndKill(4.4);
  const until_ms = Date.now() + 1500;
  const files = refusing((path) => path === tripLedgerPath(folder.path) && Date.now() < until_ms);
  await restart(standing, nothingOwed, files);
  expect(await listEvents(folder.path)).toEqual(trips);
  expect(declaredTwice()).toBe(false);
  expect(await readGaps(folder.path, disk)).toMatchObject([{ kind: 'no-recorder', pump: 'at-rest' }]);
});

test('a ledger of trips that can never be read costs no time without a recorder its name', async () => {
  await recordAndKill(2.5);
  const files = refusing((path) => path === tripLedgerPath(folder.path));
  await restart(standing, isGapStated, files);
  // Whether a stop that the ring does not hold is on record is not known.
  expect(await readGaps(folder.path, disk)).toMatchObject([{ kind: 'no-recorder', pump: 'unknown' }]);
});

test('a ring of an older run that cannot be read hides no trip that is owed', async () => {
  await recordAndKill(2.5);
  const older = readdirSync(join(folder.path, 'ring'));
  const { trips } = await recordAndKill(4.4);
  rmSync(gapLedgerPath(folder.path), { force: true });
  const files = refusing((path) => older.some((name) => path.includes(`/${name.split('.')[0]}.`)));
  await restart(standing, nothingOwed, files);
  expect(await listEvents(folder.path)).toEqual(trips);
});

test('an owed trip whose folder cannot be read holds up no other', async () => {
  const { trips } = await recordAndKill(4.4);
  const [declared] = (await readTrips(folder.path, disk)).owed;
  const unread = '20200101T000000Z-AAA';
  const text = readFileSync(tripLedgerPath(folder.path), 'utf8');
  const line = JSON.stringify({ kind: 'declared', ...declared, event: unread, boot: 'gone' });
  writeFileSync(tripLedgerPath(folder.path), `${line}\n${text}`);
  const files = refusing((path) => path.includes(unread));
  await restart(standing, async () => (await listEvents(folder.path)).length === 1, files);
  expect(await listEvents(folder.path)).toEqual(trips);
  expect((await readTrips(folder.path, disk)).owed.map(({ event }) => event)).toEqual([unread]);
});
