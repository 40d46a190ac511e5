/** The disk ring on disks that fail: what is acknowledged stays, what is lost is counted, and it goes on. */
import { readdirSync } from 'node:fs';
import { join } from 'node:path';
import { afterEach, beforeEach, expect, test } from 'vitest';
import { tallyRing } from '../../daemon/store/ring-read.ts';
import { recoverRing } from '../../daemon/store/ring-recover.ts';
import { temporaryFolder } from '../support/event-builder.ts';
import { failingFiles } from '../support/failing-files.ts';
import { streamBlock, testRing } from '../support/ring-blocks.ts';

let folder: ReturnType<typeof temporaryFolder>;
beforeEach(() => {
  folder = temporaryFolder();
});
afterEach(() => folder.remove());

/** Operations of the life below on a sound disk. */
async function life(n: number, forEver: boolean, path: string) {
  const files = failingFiles(n, forEver);
  const { ring, pass } = testRing(path, { files });
  let scan = 0;
  let acknowledged = 0;
  for (const pause_s of [1, 1, 61, 1, 3, 3, 3600, 3, 3]) {
    ring.add(0, streamBlock(scan, 50));
    scan += 50;
    const before = ring.counters.ringCommitsDone;
    await pass(pause_s);
    if (ring.counters.ringCommitsDone > before && ring.trouble === null) acknowledged = scan;
  }
  return { ring, files, scan, acknowledged };
}

test('one failing operation costs nothing, whichever it is', async () => {
  const { files, ring } = await life(Number.POSITIVE_INFINITY, false, join(folder.path, 'sound'));
  await ring.finish();
  const operations = files.operations();
  expect(operations).toBeGreaterThan(30);
  for (let n = 1; n <= operations; n++) {
    const path = join(folder.path, `once-${n}`);
    const { ring: other, scan } = await life(n, false, path);
    await other.finish();
    const [tally] = await tallyRing(path);
    expect({ n, ...tally }).toMatchObject({ n, scansRecorded: scan, scansLost: 0, scansMissing: 0 });
  }
}, 120_000);

test('a disk that dies at any operation leaves all that was acknowledged', async () => {
  const { files, ring } = await life(Number.POSITIVE_INFINITY, false, join(folder.path, 'sound'));
  await ring.finish();
  for (let n = 1; n <= files.operations(); n++) {
    const path = join(folder.path, `dead-${n}`);
    const { ring: dead, acknowledged } = await life(n, true, path);
    await recoverRing(path);
    const [tally] = await tallyRing(path);
    expect({ n, held: (tally?.scansRecorded ?? 0) >= acknowledged }).toEqual({ n, held: true });
    expect(tally?.scansMissing ?? 0).toBe(0);
    await dead.finish();
    expect(dead.counters.ringCommitsFailed > 0 || n > files.operations() - 2).toBe(true);
  }
}, 120_000);

test('a full disk gathers no empty files, memory is bounded, and what is dropped is counted', async () => {
  const { ring, pass } = testRing(folder.path, { files: failingFiles(4, true), mostPending_bytes: 4000 });
  for (let k = 0; k < 20; k++) {
    ring.add(0, streamBlock(k * 50, 50));
    await pass(3);
  }
  expect(ring.trouble?.code).toBe('ENOSPC');
  expect(ring.counters.ringScansRefused).toBeGreaterThan(500);
  expect(ring.counters.ringScansOutrun).toBe(0);
  expect(readdirSync(join(folder.path, 'ring')).length).toBeLessThanOrEqual(2);
  await ring.finish();
  expect(ring.counters.ringScansRefused).toBe(1000);
});
