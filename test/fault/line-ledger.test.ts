/** Ledgers of lines on a disk that fails at every operation in turn, and after a torn line. */
import { appendFileSync, readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { setTimeout as delay } from 'node:timers/promises';
import { afterEach, beforeEach, expect, test } from 'vitest';
import { disk, type Files } from '../../daemon/store/files.ts';
import { GapLedger, gapLedgerPath, type RecorderGap, readGaps } from '../../daemon/store/gap-ledger.ts';
import { LineLedger, readLines } from '../../daemon/store/line-ledger.ts';
import { readTrips, TripLedger, tripLedgerPath } from '../../daemon/store/trip-ledger.ts';
import { temporaryFolder } from '../support/event-builder.ts';
import { failingFiles } from '../support/failing-files.ts';

let folder: ReturnType<typeof temporaryFolder>;
beforeEach(() => {
  folder = temporaryFolder();
});
afterEach(() => folder.remove());

const trip = (event: string) => ({
  event,
  boot: 'b',
  source: 'contact' as const,
  trip_s: 1,
  seen_s: 1.01,
  declared_s: 1.02,
  anchor: { time_s: 1, wall_ms: 2 },
});

test('whichever operation fails, a line that was acknowledged is there, and none is spoilt by a torn one', async () => {
  for (let n = 1; ; n++) {
    const path = join(folder.path, `${n}.jsonl`);
    const files = failingFiles(n, true);
    let isRefused = false;
    const acknowledged: number[] = [];
    const ledger = new LineLedger(path, files, () => {
      isRefused = true;
    });
    for (let line = 0; line < 3; line++) {
      await Promise.race([
        ledger.add({ line }).then(() => {
          if (!isRefused) acknowledged.push(line);
        }),
        new Promise((resolve) => setTimeout(resolve, 30)),
      ]);
    }
    await ledger.finish(0);
    // The next process finds whatever there is, and writes behind it.
    const next = new LineLedger(path, disk, () => undefined);
    await next.add({ line: 'next' });
    await next.finish(1);
    const { entries } = await readLines(path, disk);
    const found = entries.map((entry) => (entry as { line: unknown }).line);
    for (const line of acknowledged) expect(found, `operation ${n}`).toContain(line);
    expect(found.at(-1)).toBe('next');
    if (!files.hasFailed()) {
      expect(acknowledged).toEqual([0, 1, 2]);
      expect(n).toBeGreaterThan(5);
      return;
    }
  }
});

test('a disk that refuses once is asked again, and the line stands there once whole', async () => {
  const path = join(folder.path, 'once.jsonl');
  // Operation 3 is the write of the line: half of it stays behind.
  const ledger = new LineLedger(path, failingFiles(3, false), () => undefined);
  await ledger.add({ line: 'a line that is long enough to be torn' });
  await ledger.finish(1);
  expect(ledger.counters).toEqual({ linesWritten: 1, lineWritesFailed: 1, linesGivenUp: 0 });
  const { entries, linesTorn } = await readLines(path, disk);
  expect(entries).toEqual([{ line: 'a line that is long enough to be torn' }]);
  expect(linesTorn).toBe(1);
});

test('a line is written while the one before it is still being synced: a kill spares both', async () => {
  const path = join(folder.path, 'slow.jsonl');
  const syncs: (() => void)[] = [];
  const files = {
    ...disk,
    async append(to: string) {
      const file = await disk.append(to);
      const sync = () => new Promise<void>((resolve) => syncs.push(resolve));
      return { ...file, sync };
    },
  };
  const ledger = new LineLedger(path, files, () => undefined);
  const acknowledged: number[] = [];
  const isWritten = async (lines: number) => {
    while ((await readLines(path, disk)).entries.length < lines) await delay(5);
  };
  void ledger.add({ line: 1 }).then(() => acknowledged.push(1));
  await isWritten(1);
  void ledger.add({ line: 2 }).then(() => acknowledged.push(2));
  await isWritten(2);
  expect(acknowledged).toEqual([]);
  syncs[0]!();
  while (syncs.length < 2) await delay(5);
  expect(acknowledged).toEqual([1]);
  syncs[1]!();
  await ledger.finish(1);
  expect(acknowledged).toEqual([1, 2]);
});

test('a sync that is refused is no acknowledgement: the line is written once more', async () => {
  const path = join(folder.path, 'sync.jsonl');
  let syncs = 0;
  const files = {
    ...disk,
    async append(to: string) {
      const file = await disk.append(to);
      return {
        ...file,
        async sync() {
          if (syncs++ === 0) throw Object.assign(new Error('bad block'), { code: 'EIO' });
          await file.sync();
        },
      };
    },
  };
  const ledger = new LineLedger(path, files, () => undefined);
  await ledger.add({ line: 1 });
  expect(syncs).toBe(2);
  await ledger.finish(1);
  expect((await readLines(path, disk)).entries).toEqual([{ line: 1 }, { line: 1 }]);
});

test('a ledger of thousands of trips stays small and forgets none that is open', async () => {
  const ledger = new TripLedger(folder.path, disk, () => undefined);
  await ledger.begin(folder.path, disk);
  void ledger.declared(trip('open'));
  const added: Promise<void>[] = [];
  for (let n = 0; n < 1500; n++)
    added.push(ledger.declared(trip(`early ${n}`)), ledger.closed(`early ${n}`, 'written'));
  await Promise.all(added);
  expect((await readTrips(folder.path, disk)).owed.map(({ event }) => event)).toEqual(['open']);
  await ledger.closed('open', 'written');
  for (let n = 0; n < 1500; n++) {
    void ledger.declared(trip(`late ${n}`));
    if (n !== 1490) await ledger.closed(`late ${n}`, 'written');
  }
  await ledger.finish('b', 3, 5);
  expect(readFileSync(tripLedgerPath(folder.path)).length).toBeLessThan(300_000);
  const history = await readTrips(folder.path, disk);
  expect(history.owed.map(({ event }) => event)).toEqual(['late 1490']);
  expect([...history.stopped]).toEqual(['b']);
});

test('lines that are no declarations are passed over, and the next start clears them away', async () => {
  const path = tripLedgerPath(folder.path);
  writeFileSync(path, '[]\n12\nnull\n{"kind":"declared","event":"no numbers"}\n\0\0\0\n');
  const first = new TripLedger(folder.path, disk, () => undefined);
  expect(await first.begin(folder.path, disk)).toMatchObject({ owed: [], linesTorn: 5 });
  await first.declared(trip('kept'));
  await first.finish('b', 3, 1);
  appendFileSync(path, '{"kind":"clo');
  const second = new TripLedger(folder.path, disk, () => undefined);
  expect((await second.begin(folder.path, disk)).owed).toEqual([trip('kept')]);
  await second.finish('c', 4, 1);
  expect(readFileSync(path, 'utf8')).not.toContain('{"kind":"clo');
});

test('a ledger of trips that could not be read at the start is never shortened: what is owed stays', async () => {
  const earlier = new TripLedger(folder.path, disk, () => undefined);
  await earlier.declared(trip('owed'));
  await earlier.finish('b', 3, 1);
  const refused = { code: 'EIO' };
  const files = {
    ...disk,
    async read(path: string) {
      if (!isRead) throw Object.assign(new Error('input/output error'), refused);
      return await disk.read(path);
    },
  };
  let isRead = false;
  const ledger = new TripLedger(folder.path, files, () => undefined);
  await expect(ledger.begin(folder.path, files)).rejects.toThrow('input/output');
  isRead = true;
  for (let n = 0; n <= 1000; n++) void ledger.closed(`${n}`, 'written');
  await ledger.finish('c', 4, 5);
  expect((await readTrips(folder.path, disk)).owed).toMatchObject([{ event: 'owed' }]);
});

test('a file that is replaced in any turn of the opening holds the new lines', async () => {
  for (let turns = 0; turns < 30; turns++) {
    const path = join(folder.path, `replaced-${turns}.jsonl`);
    const opened = Promise.withResolvers<void>();
    const files = {
      ...disk,
      async syncFolder() {
        opened.resolve();
      },
    };
    const ledger = new LineLedger(path, files, () => undefined);
    ledger.open();
    await opened.promise;
    for (let turn = 0; turn < turns; turn++) await null;
    ledger.replace([{ turns }]);
    await ledger.finish(1);
    expect((await readLines(path, disk)).entries).toEqual([{ turns }]);
  }
});

test('an open declaration far back does not make every further line write the whole file anew', async () => {
  let renames = 0;
  const files: Files = {
    ...disk,
    async rename(from, to) {
      renames++;
      await disk.rename(from, to);
    },
  };
  const ledger = new TripLedger(folder.path, files, () => undefined);
  await ledger.begin(folder.path, files);
  void ledger.declared({ ...trip('open'), trip_s: 1 });
  void ledger.declared({ ...trip('next of its run'), trip_s: 2 });
  void ledger.closed('next of its run', 'written');
  for (let n = 0; n < 1000; n++) {
    void ledger.declared({ ...trip(`early ${n}`), trip_s: 3 + n });
    await ledger.closed(`early ${n}`, 'written');
  }
  await ledger.finish('b', 3, 5);
  expect(renames).toBeGreaterThan(0);
  expect(renames).toBeLessThan(10);
  const { owed, declared } = await readTrips(folder.path, disk);
  expect(owed.map(({ event }) => event)).toEqual(['open']);
  // The record of the open one ends where this begins.
  expect(declared.slice(0, 2).map(({ event }) => event)).toEqual(['open', 'next of its run']);
});

test('so many open declarations that they are too many lines are all kept, and not written anew each time', async () => {
  let renames = 0;
  const files: Files = {
    ...disk,
    async rename(from, to) {
      renames++;
      await disk.rename(from, to);
    },
  };
  const ledger = new TripLedger(folder.path, files, () => undefined);
  await ledger.begin(folder.path, files);
  for (let n = 0; n < 1500; n++) {
    const added = ledger.declared({ ...trip(`open ${n}`), trip_s: n });
    if (n % 20 === 0) await added;
  }
  await ledger.finish('b', 3, 5);
  expect(renames).toBeLessThan(5);
  expect((await readTrips(folder.path, disk)).owed).toHaveLength(1500);
});

test('a ledger of gaps stays small, and of the oldest those without a trip go first', async () => {
  const down = (n: number): RecorderGap => ({
    kind: 'no-recorder',
    after: `run ${n}`,
    from_ms: n,
    to_ms: n + 1,
    isClean: false,
    pump: n % 1000 === 0 ? 'stopped' : 'running',
  });
  const lost: RecorderGap = { kind: 'trip-lost', event: 'e', source: 'contact', at_ms: 1, why: 'w' };
  const ledger = new GapLedger(folder.path, disk, () => undefined);
  await ledger.begin(folder.path, disk);
  void ledger.add(lost);
  for (let n = 0; n < 6_000; n++) {
    const added = ledger.add(down(n));
    if (n % 100 === 0) await added;
  }
  await ledger.finish(5);
  expect(readFileSync(gapLedgerPath(folder.path)).length).toBeLessThan(700_000);
  const gaps = await readGaps(folder.path, disk);
  const stops = [...Array(6).keys()].map((k) => down(1000 * k));
  expect(gaps.filter((gap) => gap.kind === 'trip-lost' || gap.pump === 'stopped')).toEqual([lost, ...stops]);
  expect(gaps.at(-1)).toEqual(down(5_999));
  // A file of before, too long already, is shortened at the start.
  const line = (n: number) => `${JSON.stringify(down(n))}\n`;
  writeFileSync(gapLedgerPath(folder.path), [...Array(6000).keys()].map(line).join(''));
  const next = new GapLedger(folder.path, disk, () => undefined);
  await next.begin(folder.path, disk);
  await next.finish(5);
  expect((await readGaps(folder.path, disk)).length).toBe(506);
});
