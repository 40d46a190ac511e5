import { mkdirSync, readdirSync, rmSync, statSync, utimesSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import { type DiskConfig, usualDisk } from '../../../config/disk.ts';
import { analyse } from '../../../daemon/analysis/analyse.ts';
import { openEventStore } from '../../../daemon/server/event-store.ts';
import { EventFolderWrite, eventFolder } from '../../../daemon/store/event-folder.ts';
import type { EventRow } from '../../../daemon/store/event-index.ts';
import { disk, type Files } from '../../../daemon/store/files.ts';
import {
  lowSpace_bytes,
  removeOldTorn,
  ringQuota_bytes,
  shortenRing,
} from '../../../daemon/store/retention.ts';
import { isRoutine } from '../../../daemon/store/trace-keeper.ts';
import { eventContent, temporaryFolder } from '../../support/event-builder.ts';

let folder: ReturnType<typeof temporaryFolder>;
beforeEach(() => {
  folder = temporaryFolder();
});
afterEach(() => folder.remove());

const now_ms = Date.UTC(2026, 10, 25, 12);
const plenty = { free_bytes: 1e12, total_bytes: 2e12 };
const day_ms = 86_400_000;

/** Five hours of 1 kB each, the newest being written. */
function fiveHours(): void {
  const ring = join(folder.path, 'ring');
  mkdirSync(ring);
  for (let hour = 0; hour < 5; hour++) {
    const path = join(ring, `20261125T0${hour}Z.seg`);
    writeFileSync(path, Buffer.alloc(1000));
    const modified_s = (now_ms - (4 - hour) * 3_600_000) / 1000;
    utimesSync(path, modified_s, modified_s);
  }
}

function shorten(limits: Partial<DiskConfig>, free_bytes = 1e12) {
  return shortenRing(folder.path, { ...usualDisk, ...limits }, { ...plenty, free_bytes }, now_ms, disk);
}

const left = () => readdirSync(join(folder.path, 'ring')).sort();

describe('the ring', () => {
  beforeEach(fiveHours);

  test('stays whole within its quotas', async () => {
    expect(await shorten({})).toEqual({ removed: 0, free_bytes: 1e12 });
    expect(left()).toHaveLength(5);
  });

  test('loses its oldest hours beyond the size', async () => {
    expect((await shorten({ ring: { age_s: 1e9, size_bytes: 3500 } })).removed).toBe(2);
    expect(left()[0]).toBe('20261125T02Z.seg');
  });

  test('loses hours that are too old', async () => {
    expect((await shorten({ ring: { age_s: 2.5 * 3600, size_bytes: null } })).removed).toBe(2);
  });

  test('gives way to low space as far as it must, but never what is being written', async () => {
    expect(await shorten({ lowSpace_bytes: 5000 }, 3500)).toEqual({ removed: 2, free_bytes: 5500 });
    expect((await shorten({ lowSpace_bytes: 1e9 }, 0)).removed).toBe(1);
    expect(left()).toEqual(['20261125T03Z.seg', '20261125T04Z.seg']);
  });
});

test('shares of the disk where the rig file says nothing', () => {
  const small = { free_bytes: 0, total_bytes: 10e9 };
  expect([ringQuota_bytes(usualDisk, small), lowSpace_bytes(usualDisk, small)]).toEqual([2e9, 0.5e9]);
  expect([ringQuota_bytes(usualDisk, plenty), lowSpace_bytes(usualDisk, plenty)]).toEqual([20e9, 2e9]);
});

test('unfinished events go after their time', async () => {
  for (const [name, age_ms] of [
    ['old', 91 * day_ms],
    ['new', day_ms],
  ] as const) {
    const path = join(folder.path, 'torn', name);
    mkdirSync(path, { recursive: true });
    utimesSync(path, (now_ms - age_ms) / 1000, (now_ms - age_ms) / 1000);
  }
  expect(await removeOldTorn(folder.path, usualDisk, now_ms, disk)).toBe(1);
  expect(readdirSync(join(folder.path, 'torn'))).toEqual(['new']);
});

function rowWith(flags: number, severity: string, source = 'contact'): EventRow {
  const leg = {
    active: true,
    flags: new Array(flags).fill({ code: 'clipped' }),
    severity: { class: severity },
  };
  return { source, verdict: { legs: [leg] } } as unknown as EventRow;
}

test('routine is a verdict without a flag, not severe, and no spare window', () => {
  expect(isRoutine(rowWith(0, 'none'))).toBe(true);
  expect(isRoutine(rowWith(1, 'none'))).toBe(false);
  expect(isRoutine(rowWith(0, 'severe'))).toBe(false);
  expect(isRoutine({ ...rowWith(0, 'none', 'window'), sameTripAs: 'another' })).toBe(false);
  expect(isRoutine({ ...rowWith(0, 'none'), verdict: null })).toBe(false);
});

/** A verdict that is routine, but for events that are named so. */
const judge: typeof analyse = (record, meta) => {
  const verdict = analyse(record, meta);
  const flags = record.id.endsWith('BBB') ? [{ code: 'clipped', text: '' }] : [];
  const legs = verdict.legs.map((leg) => ({
    ...leg,
    active: true,
    flags,
    severity: { ...leg.severity, class: 'none' },
  }));
  return { ...verdict, legs } as unknown as ReturnType<typeof analyse>;
};

test('a server killed right after it removed a trace: the next one says so', async () => {
  const id = '20260101T000000Z-AAA';
  const { header, blocks } = eventContent(folder.path);
  const content = { header: { ...header, id, anchor: anchorOf(id) }, blocks };
  await new EventFolderWrite(folder.path, content, disk).write();
  const low: Files = { ...disk, space: async () => ({ free_bytes: 1000, total_bytes: 2e12 }) };
  const dying: Files = {
    ...low,
    async remove(path) {
      await disk.remove(path);
      throw new Error('killed');
    },
  };
  const open = (files: Files) =>
    openEventStore({ dataFolder: folder.path, software: 'test', analyse: judge, files });
  const first = open(dying);
  await first.scan();
  await expect(first.keepTraces(usualDisk, now_ms)).rejects.toThrow('killed');
  await first.close();
  const next = open(low);
  await next.scan();
  expect(await next.keepTraces(usualDisk, now_ms + 1)).toEqual([id]);
  expect(next.list({ before: null, limit: 1 })[0]?.traceRemoved?.at_ms).toBe(now_ms);
  await next.close();
}, 30_000);

test('a trace that somebody else took away is not told as removed again and again', async () => {
  const id = '20260101T000000Z-AAA';
  const { header, blocks } = eventContent(folder.path);
  const content = { header: { ...header, id, anchor: anchorOf(id) }, blocks };
  await new EventFolderWrite(folder.path, content, disk).write();
  const files: Files = { ...disk, space: async () => ({ free_bytes: 1000, total_bytes: 2e12 }) };
  const store = openEventStore({ dataFolder: folder.path, software: 'test', analyse: judge, files });
  await store.scan();
  rmSync(join(eventFolder(folder.path, id), 'trace.bin'));
  expect(await store.keepTraces(usualDisk, now_ms)).toEqual([]);
  await store.close();
}, 30_000);

test('low space takes the traces of accepted routine events; they still list, show their verdict and say so', async () => {
  const ids = [
    '20260101T000000Z-AAA',
    '20260102T000000Z-BBB',
    '20260103T000000Z-CCC',
    '20261124T000000Z-DDD',
  ];
  for (const id of ids) {
    const { header, blocks } = eventContent(folder.path);
    await new EventFolderWrite(
      folder.path,
      { header: { ...header, id, anchor: anchorOf(id) }, blocks },
      disk,
    ).write();
  }
  let free_bytes = 1e12;
  const files: Files = { ...disk, space: async () => ({ free_bytes, total_bytes: 2e12 }) };
  const store = openEventStore({ dataFolder: folder.path, software: 'test', analyse: judge, files });
  await store.scan();
  expect(await store.keepTraces(usualDisk, now_ms)).toEqual([]);
  free_bytes = 1000;
  expect(await store.keepTraces(usualDisk, now_ms)).toEqual([ids[0], ids[2]]);
  expect(await store.keepTraces(usualDisk, now_ms)).toEqual([]);
  const said = () =>
    store
      .list({ before: null, limit: 9 })
      .map(({ traceRemoved, verdict }) => [verdict !== null, traceRemoved?.at_ms]);
  const expected = [
    [true, undefined],
    [true, now_ms],
    [true, undefined],
    [true, now_ms],
  ];
  expect(said()).toEqual(expected);
  const event = await store.get(ids[0]!);
  expect(event?.traceRemoved?.why).toBe('Space on the disk was low.');
  expect(event?.verdict?.legs).toHaveLength(1);
  expect(await store.trace(ids[0]!, { channels: null, from_s: null, to_s: null, points: 10 })).toEqual({
    channels: [],
  });
  expect(await store.exported(ids[0]!, { channels: null, from_s: null, to_s: null })).toBeNull();
  expect((await store.reanalyse(ids[0]!, 'again'))?.row.verdict?.revision).toBe(1);
  await store.rebuild();
  expect(said()).toEqual(expected);
  await store.close();
}, 30_000);

/** The trip of the built event lies at its own instant; only the wall clock differs. */
function anchorOf(id: string) {
  const wall_ms = Date.UTC(Number(id.slice(0, 4)), Number(id.slice(4, 6)) - 1, Number(id.slice(6, 8)));
  return { time_s: eventContent(folder.path).header.trip.time_s, wall_ms };
}

test('accepted routine events beyond their quota lose their samples, oldest first', async () => {
  const ids = ['20260101T000000Z-AAA', '20260103T000000Z-CCC', '20261124T000000Z-DDD'];
  for (const id of ids) {
    const { header, blocks } = eventContent(folder.path);
    const own = { header: { ...header, id, anchor: anchorOf(id) }, blocks };
    await new EventFolderWrite(folder.path, own, disk).write();
  }
  const files: Files = { ...disk, space: async () => ({ free_bytes: 1e12, total_bytes: 2e12 }) };
  const store = openEventStore({ dataFolder: folder.path, software: 'test', analyse: judge, files });
  await store.scan();
  const trace_bytes = statSync(join(eventFolder(folder.path, ids[0]!), 'trace.bin')).size;
  const limits = (size_bytes: number, age_s = 90 * 86_400) => ({
    ...usualDisk,
    routineTraces: { age_s, size_bytes },
  });
  expect(await store.keepTraces(limits(2.5 * trace_bytes), now_ms)).toEqual([]);
  expect(await store.keepTraces(limits(1.5 * trace_bytes), now_ms)).toEqual([ids[0]]);
  // The youngest is not accepted yet, whatever it takes; at another age it is.
  expect(await store.keepTraces(limits(0), now_ms)).toEqual([ids[1]]);
  expect(await store.keepTraces(limits(0, 3600), now_ms)).toEqual([ids[2]]);
  expect((await store.get(ids[1]!))?.traceRemoved?.why).toBe('The quota of routine traces was used up.');
  await store.close();
}, 30_000);
