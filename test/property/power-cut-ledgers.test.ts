/** What the ledgers have acknowledged outlives a power cut at every sync, also when the process was killed shortly before. */
import { expect, test } from 'vitest';
import type { CalibrationEntry, RigConfig } from '../../config/rig.ts';
import { enterCalibrations, readLedger } from '../../daemon/instruments/calibration-ledger.ts';
import type { Files } from '../../daemon/store/files.ts';
import { GapLedger, readGaps } from '../../daemon/store/gap-ledger.ts';
import { LineLedger, readLines } from '../../daemon/store/line-ledger.ts';
import { readTrips, TripLedger } from '../../daemon/store/trip-ledger.ts';
import { WriteLedger } from '../../daemon/store/write-ledger.ts';
import { writeRegisterRequest } from '../../drivers/modbus/requests.ts';
import { forgettingFiles, type Image, killedAfter } from '../support/forgetting-files.ts';
import { Cuts } from '../support/power-cuts.ts';
import { recorderRig } from '../support/recorder-rig.ts';

/** More operations than any of these calls needs. */
const mostOperations = 12;
const refused = (error: unknown) => {
  throw error;
};

/**
 * A first process is killed after each number of operations; a second one goes on with the names and bytes that the kernel
 * still has, and the power goes at each of its syncs. `add` adds entry `n`; `found` gives the entries that are there.
 */
async function killThenCut(
  add: (files: Files, n: number) => Promise<void>,
  found: (files: Files) => Promise<readonly number[]>,
  before: Image = new Map(),
): Promise<void> {
  for (let operations = 0; operations <= mostOperations; operations++) {
    const files = forgettingFiles(before);
    const cuts = new Cuts(files);
    const promised = new Set<number>();
    const { promise: killed, resolve: onKill } = Promise.withResolvers<void>();
    const adding = add(killedAfter(files, operations, onKill), 1).then(() => void promised.add(1));
    await Promise.race([adding, killed]);
    await add(files, 2);
    promised.add(2);
    cuts.promise(2);
    for (const [k, { image, promised: count }] of cuts.all.entries()) {
      const there = await found(forgettingFiles(image));
      const wanted = count === 2 ? [...promised] : [];
      for (const n of wanted) expect(there, `killed after ${operations}, cut ${k}`).toContain(n);
    }
  }
}

test('a ledger of lines', async () => {
  await killThenCut(
    async (files, n) => {
      const ledger = new LineLedger('/data/lines.jsonl', files, refused);
      await ledger.add({ n });
    },
    async (files) =>
      (await readLines('/data/lines.jsonl', files)).entries.map((entry) => (entry as { n: number }).n),
  );
});

test('a ledger of lines that the killed process was writing anew', async () => {
  await killThenCut(
    async (files, n) => {
      const ledger = new LineLedger('/data/lines.jsonl', files, refused);
      if (n === 1) ledger.replace([{ n: 0 }]);
      await ledger.add({ n });
    },
    async (files) =>
      (await readLines('/data/lines.jsonl', files)).entries.map((entry) => (entry as { n: number }).n),
    new Map([['/data/lines.jsonl', Buffer.from('{"n":0}\n')]]),
  );
});

test('an ordered write: on record before it is sent', async () => {
  await killThenCut(
    async (files, n) => {
      const ledger = new WriteLedger('/data/writes.jsonl', 'bus', { files });
      await ledger.asked({ device: 'valve', request: writeRegisterRequest(n, 1), by: 'test' }, 1);
    },
    async (files) => {
      const { entries } = await readLines('/data/writes.jsonl', files);
      return entries.map((entry) => (entry as { address: number }).address);
    },
  );
});

function zero(from_ms: number): CalibrationEntry {
  return {
    from_ms,
    kind: 'zero',
    points: [{ reference: 0, reading: 100 }],
    repeatability: null,
    referenceUncertainty: null,
    certificate: '',
    due_ms: null,
    by: '',
    note: '',
    written: JSON.stringify({ zero: { reading: `${from_ms} Pa` }, unit: 'Pa' }),
  };
}

/** Calibrations of the first outlet that begin at these instants, in ms. */
function rigWith(...from_ms: readonly number[]): RigConfig {
  const rig = recorderRig({ dataFolder: '/data' });
  const [outlet, ...others] = rig.channels;
  return { ...rig, channels: [{ ...outlet, calibrations: from_ms.map(zero) }, ...others] };
}

test('a calibration that was accepted', async () => {
  await killThenCut(
    // The second process accepts the first entry again where the first one died.
    async (files, n) => void (await enterCalibrations(rigWith(...[1, 2].slice(0, n)), 10, files)),
    async (files) => (await readLedger('/data', files)).map(({ version }) => version),
  );
  // The same rig file at both starts: the second finds the entry, and vouches for it.
  await killThenCut(
    async (files) => void (await enterCalibrations(rigWith(2), 10, files)),
    async (files) => (await readLedger('/data', files)).flatMap(() => [1, 2]),
  );
});

const trip = (event: string) => ({
  event,
  boot: 'b',
  source: 'contact' as const,
  trip_s: 1,
  seen_s: 1.01,
  declared_s: 1.02,
  anchor: { time_s: 1, wall_ms: 2 },
});

test('a trip that was declared, while the ledger is shortened under it', async () => {
  const files = forgettingFiles();
  const cuts = new Cuts(files);
  const ledger = new TripLedger('/data', files, refused);
  await ledger.begin('/data', files);
  await ledger.declared(trip('owed'));
  cuts.promise(1);
  // More lines than are kept: the file is written anew meanwhile.
  await Promise.all(Array.from({ length: 1100 }, (_, n) => ledger.closed(`${n}`, 'written')));
  await ledger.declared(trip('late'));
  cuts.promise(2);
  await ledger.finish('b', 3, 5);
  expect(cuts.all.length).toBeGreaterThan(10);
  for (const { image, promised } of cuts.all) {
    const { owed } = await readTrips('/data', forgettingFiles(image));
    for (const event of ['owed', 'late'].slice(0, promised)) expect(owed).toContainEqual(trip(event));
  }
});

test('a time without a recorder that was stated', async () => {
  const files = forgettingFiles();
  const cuts = new Cuts(files);
  const ledger = new GapLedger('/data', files, refused);
  await ledger.begin('/data', files);
  const down = (after: string) =>
    ({ kind: 'no-recorder', after, from_ms: 1, to_ms: 2, isClean: false, pump: 'unknown' }) as const;
  for (const [k, after] of ['a', 'b', 'c'].entries()) {
    await ledger.add(down(after));
    cuts.promise(k + 1);
  }
  for (const { image, promised } of cuts.all) {
    const gaps = await readGaps('/data', forgettingFiles(image));
    for (const after of ['a', 'b', 'c'].slice(0, promised)) expect(gaps).toContainEqual(down(after));
  }
});
