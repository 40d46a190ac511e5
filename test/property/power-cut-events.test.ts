/** An event that was declared whole, its verdict and its name outlive a power cut at every sync. */
import { expect, test } from 'vitest';
import { Recovery } from '../../daemon/recorder/recovery.ts';
import { EventFolderWrite, eventFolder, listEvents } from '../../daemon/store/event-folder.ts';
import type { Files } from '../../daemon/store/files.ts';
import { GapLedger } from '../../daemon/store/gap-ledger.ts';
import { loadEvent } from '../../daemon/store/load-record.ts';
import { readRemoved, removeTrace } from '../../daemon/store/removed-trace.ts';
import { readTrips, TripLedger } from '../../daemon/store/trip-ledger.ts';
import { listRevisions, newWriter, readVerdict, writeVerdict } from '../../daemon/store/verdict-files.ts';
import { systemClock } from '../../drivers/clock.ts';
import { eventContent } from '../support/event-builder.ts';
import { forgettingFiles, type Image, killedAfter } from '../support/forgetting-files.ts';
import { Cuts } from '../support/power-cuts.ts';
import { silentLog } from '../support/silent-log.ts';
import { swing, syntheticVerdict } from '../support/synthetic-event.ts';

const content = eventContent('/data');
const { id } = content.header;
const folder = eventFolder('/data', id);

/** Ids of the events that a cut left; each of them must be whole. */
async function wholeEvents(image: Image): Promise<string[]> {
  const files = forgettingFiles(image);
  const ids = await listEvents('/data', files);
  for (const each of ids) {
    const { damage, series } = await loadEvent(eventFolder('/data', each), files);
    expect(damage).toEqual([]);
    expect(series.get('outlet')?.value.length).toBe(1000);
  }
  return ids;
}

test('an event folder: whole under its name at every cut, and there when it was declared written', async () => {
  const files = forgettingFiles();
  const cuts = new Cuts(files);
  await new EventFolderWrite('/data', content, files).write();
  cuts.promise(1);
  expect(cuts.all.length).toBeGreaterThan(12);
  for (const [k, { image, promised }] of cuts.all.entries()) {
    const ids = await wholeEvents(image);
    if (promised > 0) expect(ids, `cut ${k}`).toEqual([id]);
  }
});

const declaration = {
  event: id,
  boot: 'test',
  source: 'contact' as const,
  trip_s: 3.012,
  seen_s: 3.015,
  declared_s: content.header.trip.declared_s,
  anchor: content.header.anchor,
};
const refused = (error: unknown) => {
  throw error;
};

/** What the next start makes of a declared trip. */
async function recover(files: Files): Promise<void> {
  const trips = new TripLedger('/data', files, refused);
  const recovery = new Recovery({
    dataFolder: '/data',
    boot: 'next',
    files,
    log: silentLog(),
    clock: { ...systemClock, sleep: () => new Promise((resolve) => setImmediate(resolve)) },
    history: await trips.begin('/data', files),
    trips,
    gaps: new GapLedger('/data', files, refused),
    isLive: false,
    wallAt_ms: () => 0,
    pump: { isOn: () => true, hasTripped: () => false, hasStoppedTooSoon: () => false },
    newId: () => id,
    write: () => undefined,
  });
  recovery.start();
  await expect.poll(async () => (await readTrips('/data', files)).owed.length).toBeLessThan(2);
  for (let turn = 0; turn < 1000; turn++) await new Promise((resolve) => setImmediate(resolve));
  await recovery.stop();
  await trips.finish('next', 0, 1);
}

test('a declared trip is owed or has its event, also when the writer was killed between its name and the sync of it', async () => {
  let written = 0;
  for (let operations = 0; operations < 18; operations++) {
    const files = forgettingFiles();
    const ledger = new TripLedger('/data', files, refused);
    await ledger.declared(declaration);
    const { promise: killed, resolve: onKill } = Promise.withResolvers<void>();
    const writing = new EventFolderWrite('/data', content, killedAfter(files, operations, onKill)).write();
    await Promise.race([writing, killed]);
    if (!(await listEvents('/data', files)).includes(id)) continue;
    written++;
    const cuts = new Cuts(files);
    await recover(files);
    cuts.note();
    for (const [k, { image }] of cuts.all.entries()) {
      const { owed } = await readTrips('/data', forgettingFiles(image));
      const isThere = (await wholeEvents(image)).includes(id);
      expect(owed.length === 1 || isThere, `killed after ${operations}, cut ${k}`).toBe(true);
    }
    expect((await readTrips('/data', files)).owed).toEqual([]);
  }
  expect(written).toBeGreaterThan(3);
});

test('a verdict: whole under its name at every cut, and there when its path was given back', async () => {
  const files = forgettingFiles();
  await new EventFolderWrite('/data', content, files).write();
  const cuts = new Cuts(files);
  const writer = newWriter();
  for (const revision of [1, 2]) {
    await writeVerdict(folder, { ...syntheticVerdict(id, swing), revision }, writer, files);
    cuts.promise(revision);
  }
  for (const { image, promised } of cuts.all) {
    const left = forgettingFiles(image);
    const revisions = await listRevisions(folder, left);
    for (const revision of revisions) expect((await readVerdict(folder, revision, left)).event).toBe(id);
    expect(revisions.length).toBeGreaterThanOrEqual(promised);
  }
});

test('samples that are removed: at every cut they are there, or the note that says why they are not', async () => {
  const files = forgettingFiles();
  await new EventFolderWrite('/data', content, files).write();
  const cuts = new Cuts(files);
  await removeTrace(folder, { at_ms: 1, why: 'space is low' }, files);
  cuts.note();
  for (const { image } of cuts.all) {
    const left = forgettingFiles(image);
    const isThere = (await left.list(folder)).includes('trace.bin');
    expect(isThere || (await readRemoved(folder, left)) !== null).toBe(true);
  }
});
