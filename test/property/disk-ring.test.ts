import {
  appendFileSync,
  copyFileSync,
  mkdirSync,
  readdirSync,
  readFileSync,
  truncateSync,
  writeFileSync,
} from 'node:fs';
import { join } from 'node:path';
import fc from 'fast-check';
import { afterEach, beforeEach, expect, test } from 'vitest';
import {
  listRing,
  type RingBlock,
  type RingWindow,
  readRing,
  tallyRing,
} from '../../daemon/store/ring-read.ts';
import { recoverRing } from '../../daemon/store/ring-recover.ts';
import { ringTimeShare } from '../../daemon/store/ring-times.ts';
import { decodeChunk, readChunkHeader } from '../../daemon/store/trace-chunk.ts';
import type { RawBlock } from '../../drivers/driver.ts';
import { temporaryFolder } from '../support/event-builder.ts';
import { recorderRig } from '../support/recorder-rig.ts';
import { ringGroups, ringStart_ms, streamBlock, testRing } from '../support/ring-blocks.ts';

let folder: ReturnType<typeof temporaryFolder>;
beforeEach(() => {
  folder = temporaryFolder();
});
afterEach(() => folder.remove());

const all: RingWindow = { from_ms: 0, to_ms: Number.MAX_SAFE_INTEGER };

/** What comes back to the bit; times are kept no finer than they are known. */
const exact = ({ time_s: _t, interval_s: _i, halfWidth_s: _h, ...rest }: RawBlock) => rest;

async function read(path: string, window: RingWindow = all): Promise<RingBlock[]> {
  const found: RingBlock[] = [];
  for await (const each of readRing(path, window)) found.push(each);
  return found;
}

const step = fc.record({
  group: fc.integer({ min: 0, max: 1 }),
  scans: fc.integer({ min: 1, max: 40 }),
  lost: fc.oneof(fc.constant(0), fc.integer({ min: 1, max: 5000 })),
  bits: fc.integer({ min: 0, max: 7 }),
  seed: fc.integer({ min: -(2 ** 31), max: 2 ** 31 - 1 }),
  after: fc.constantFrom('nothing', 'nothing', 'second', 'minute', 'hour', 'renew', 'sync'),
});

test('any blocks in any split come back the same, each once, also while the ring is being written', async () => {
  await fc.assert(
    fc.asyncProperty(
      fc.array(step, { minLength: 1, maxLength: 60 }),
      fc.boolean(),
      async (steps, isKilled) => {
        const path = join(folder.path, `r${Math.random()}`);
        mkdirSync(path);
        const { ring, pass, now_s } = testRing(path);
        const next = [0, 0];
        const given: RawBlock[] = [];
        for (const { group, scans, lost, bits, seed, after } of steps) {
          const numbers = scans * ringGroups[group].channels.length;
          const at = (k: number) => Math.imul(seed, k + 1) | 0;
          const block: RawBlock = {
            group,
            scan: next[group] + lost,
            scans,
            time_s: now_s(),
            interval_s: 0.001,
            halfWidth_s: 0.0001,
            raw:
              group === 0
                ? Int32Array.from({ length: numbers }, (_, k) => at(k))
                : Float64Array.from({ length: numbers }, (_, k) => at(k) / 3),
            quality: new Uint8Array(scans).fill(bits, scans >> 1),
            lostBefore: lost,
          };
          next[group] += lost + scans;
          given.push(block);
          ring.add(group, block);
          if (after === 'renew') ring.renew(recorderRig({ dataFolder: path }));
          if (after === 'sync') ring.sync();
          await pass({ second: 1, minute: 61, hour: 3600 }[after as 'second'] ?? 0.001);
        }
        await pass(1);
        await pass(1);
        if (!isKilled) await ring.finish();
        else await recoverRing(path);
        for (const group of [0, 1]) {
          const back = (await read(path)).map(({ block }) => block).filter((block) => block.group === group);
          const want = given.filter((block) => block.group === group);
          expect(back.map(exact)).toEqual(want.map(exact));
          back.forEach((block, k) => {
            const { scans, time_s, interval_s, halfWidth_s } = want[k];
            const allowed_s = halfWidth_s * ringTimeShare + 2e-9;
            const last = scans - 1;
            expect(Math.abs(block.time_s - time_s)).toBeLessThan(allowed_s);
            expect(Math.abs(block.time_s - time_s + last * (block.interval_s - interval_s))).toBeLessThan(
              allowed_s,
            );
            expect(block.halfWidth_s).toBeGreaterThan(halfWidth_s);
            expect(block.halfWidth_s).toBeLessThan(halfWidth_s * (1 + 2.1 * ringTimeShare));
          });
        }
        // Only gives the descriptors back.
        if (isKilled) await ring.finish();
      },
    ),
    { numRuns: 40 },
  );
}, 60_000);

/** A ring of three stretches, killed: segment with chunks, tail with three chunks. */
async function killedRing(): Promise<{ names: string[]; scans: number; close: () => Promise<void> }> {
  const { ring, pass } = testRing(folder.path);
  let scan = 0;
  const add = (blocks: number) => {
    for (let k = 0; k < blocks; k++, scan += 5) ring.add(0, streamBlock(scan, 5));
  };
  add(6);
  await pass(1);
  await pass(61);
  for (let k = 0; k < 3; k++) {
    add(2);
    await pass(1);
  }
  return { names: readdirSync(join(folder.path, 'ring')), scans: scan, close: () => ring.finish() };
}

test('a tail that is recovered stays behind its segment, also when an earlier one of the hour has been removed', async () => {
  const { names, scans, close } = await killedRing();
  const path = join(folder.path, 'later');
  mkdirSync(join(path, 'ring'), { recursive: true });
  for (const name of names)
    copyFileSync(join(folder.path, 'ring', name), join(path, 'ring', name.replace('Z.', 'Z-2.')));
  await close();
  await recoverRing(path);
  const [tally] = await tallyRing(path);
  expect(tally).toMatchObject({ firstScan: 0, scansRecorded: scans, scansMissing: 0 });
});

test('bytes at the end that are no whole chunk are counted, damage before a whole chunk is not', async () => {
  const { names, close } = await killedRing();
  const path = join(folder.path, 'torn');
  mkdirSync(join(path, 'ring'), { recursive: true });
  for (const name of names) copyFileSync(join(folder.path, 'ring', name), join(path, 'ring', name));
  await close();
  const [segment, tail] = await listRing(path);
  const bytes = readFileSync(tail.path);
  let last = tail.start;
  for (let chunk = readChunkHeader(bytes, last); typeof chunk !== 'string' && chunk.end < bytes.length; ) {
    last = chunk.end;
    chunk = readChunkHeader(bytes, last);
  }
  expect(last).toBeGreaterThan(tail.start);
  // Damage in the first chunk of the tail; its last chunk is cut.
  bytes[tail.start + 5] ^= 1;
  writeFileSync(tail.path, bytes.subarray(0, bytes.length - 3));
  appendFileSync(segment.path, new Uint8Array(17).fill(0x54));
  expect(await recoverRing(path)).toEqual({
    ringTailsRecovered: 1,
    ringBytesTorn: 17 + bytes.length - 3 - last,
  });
});

test('cut at every byte, the ring gives every second before the cut, and nothing that was not written', async () => {
  const { names, scans, close } = await killedRing();
  expect(names.sort()).toEqual(['20261125T10Z.seg', '20261125T10Z.tail']);
  const source = join(folder.path, 'ring');
  const size = readFileSync(join(source, '20261125T10Z.tail')).length;
  const [tail] = (await listRing(folder.path)).filter(({ isTail }) => isTail);
  const held = new Set<number>();
  for (let cut = 0; cut <= size; cut++) {
    // Within the head every cut is the same: nothing can be read.
    if (cut > 30 && cut < tail.start - 2) continue;
    const path = join(folder.path, `cut-${cut}`);
    mkdirSync(join(path, 'ring'), { recursive: true });
    for (const name of names) copyFileSync(join(source, name), join(path, 'ring', name));
    truncateSync(join(path, 'ring', '20261125T10Z.tail'), cut);
    await recoverRing(path);
    const [tally] = await tallyRing(path);
    expect(tally.scansMissing).toBe(0);
    expect(tally.scansRecorded % 10).toBe(0);
    expect(tally.scansRecorded).toBeGreaterThanOrEqual(30);
    held.add(tally.scansRecorded);
    for (const { block } of await read(path)) expect(block.raw).toEqual(streamBlock(block.scan, 5).raw);
  }
  await close();
  expect(Math.max(...held)).toBe(scans);
  expect([...held].sort((a, b) => a - b)).toEqual([30, 40, 50, 60]);
}, 60_000);

test('a window gives the blocks that overlap it, and the tally closes with what the driver lost', async () => {
  const { ring, pass } = testRing(folder.path);
  for (let scan = 0; scan < 2000; scan += 50) ring.add(0, streamBlock(scan, 50));
  ring.add(0, streamBlock(2300, 50, 300));
  await pass(1);
  await ring.finish();
  const found = await read(folder.path, { from_ms: ringStart_ms + 500, to_ms: ringStart_ms + 700 });
  expect(found.map(({ block }) => block.scan)).toEqual([500, 550, 600, 650]);
  const byBoot = await read(folder.path, { boot: 'boot-1', from_s: 1000.5, to_s: 1000.7 });
  expect(byBoot.map(({ block }) => block.scan)).toEqual([500, 550, 600, 650]);
  expect(await read(folder.path, { boot: 'another', from_s: 0, to_s: 9e9 })).toEqual([]);
  const [tally] = await tallyRing(folder.path);
  expect(tally).toMatchObject({
    firstScan: 0,
    endScan: 2350,
    scansRecorded: 2050,
    scansLost: 300,
    scansMissing: 0,
  });
});

test('the segment holds each scan once, however often the tail was begun anew', async () => {
  const { ring, pass } = testRing(folder.path);
  let scans = 0;
  for (const time_s of [1, 1, 61, 1, 61, 61, 1]) {
    ring.add(0, streamBlock(scans, 20));
    scans += 20;
    await pass(time_s);
  }
  await ring.finish();
  expect(ring.counters).toMatchObject({ ringScansRefused: 0, ringScansOutrun: 0 });
  const files = await listRing(folder.path);
  expect(files.map(({ isTail }) => isTail)).toEqual([false]);
  const bytes = readFileSync(files[0]!.path);
  const found: number[] = [];
  for (let at = files[0]!.start; at < bytes.length; ) {
    const chunk = readChunkHeader(bytes, at);
    if (typeof chunk === 'string') throw new Error(chunk);
    found.push(...decodeChunk(ringGroups, chunk).map(({ scan }) => scan));
    at = chunk.end;
  }
  expect(found).toEqual(Array.from({ length: scans / 20 }, (_, k) => 20 * k));
});
