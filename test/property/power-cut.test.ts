/** What was acknowledged outlives a power cut at every sync: the disk of these tests loses whatever was not synced. */
import fc from 'fast-check';
import { expect, test } from 'vitest';
import { writeWhole } from '../../daemon/store/files.ts';
import { LineLedger, readLines } from '../../daemon/store/line-ledger.ts';
import { readRing } from '../../daemon/store/ring-read.ts';
import { forgettingFiles } from '../support/forgetting-files.ts';
import { Cuts } from '../support/power-cuts.ts';
import { streamBlock, testRing } from '../support/ring-blocks.ts';

test('a ledger: every line whose call has resolved, after a cut at any sync', async () => {
  const runs = fc.array(fc.integer({ min: 1, max: 4 }), { minLength: 1, maxLength: 8 });
  await fc.assert(
    fc.asyncProperty(runs, async (together) => {
      const files = forgettingFiles();
      const cuts = new Cuts(files);
      const ledger = new LineLedger('/data/trips.jsonl', files, () => undefined);
      let number = 0;
      for (const count of together) {
        const lines = Array.from({ length: count }, () => ++number);
        await Promise.all(lines.map((n) => ledger.add({ n }).then(() => cuts.promise(n))));
      }
      await ledger.finish(1);
      for (const { image, promised } of cuts.all) {
        const { entries } = await readLines('/data/trips.jsonl', forgettingFiles(image));
        const found = new Set(entries.map((entry) => (entry as { n: number }).n));
        for (let n = 1; n <= promised; n++) expect(found, `${promised} promised`).toContain(n);
      }
    }),
    { numRuns: 30 },
  );
});

test('the disk ring: every scan of a commit that is done, from tail or segment, after a cut at any sync', async () => {
  const passes = fc.array(fc.constantFrom(1, 1, 1, 61), { minLength: 1, maxLength: 12 });
  await fc.assert(
    fc.asyncProperty(passes, async (steps) => {
      const files = forgettingFiles();
      const cuts = new Cuts(files);
      const { ring, pass } = testRing('/data', { files });
      let scans = 0;
      for (const time_s of steps) {
        ring.add(0, streamBlock(scans, 20));
        scans += 20;
        await pass(time_s);
        cuts.promise(scans);
      }
      for (const { image, promised } of cuts.all) {
        let end = 0;
        const window = { from_ms: 0, to_ms: Number.MAX_SAFE_INTEGER };
        for await (const { block } of readRing('/data', window, forgettingFiles(image))) {
          expect(block.scan).toBe(end);
          end += block.scans;
        }
        expect(end).toBeGreaterThanOrEqual(promised);
      }
    }),
    { numRuns: 30 },
  );
});

test('a file that is written whole is whole after a cut, once its folder is synced', async () => {
  const files = forgettingFiles();
  await writeWhole(files, '/data/verdict-1.json', [Buffer.from('{"a":'), Buffer.from('1}')]);
  expect(files.cut().size).toBe(0);
  await files.syncFolder('/data');
  expect(Buffer.from(files.cut().get('/data/verdict-1.json')!).toString()).toBe('{"a":1}');
});
