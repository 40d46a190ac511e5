/** Ledgers of lines: what comes between two looks at the queue, and lines that pages could not show. */
import { writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { afterEach, beforeEach, expect, test } from 'vitest';
import { disk } from '../../../daemon/store/files.ts';
import { gapLedgerPath, readGaps } from '../../../daemon/store/gap-ledger.ts';
import { LineLedger, readLines } from '../../../daemon/store/line-ledger.ts';
import { temporaryFolder } from '../../support/event-builder.ts';

let folder: ReturnType<typeof temporaryFolder>;
beforeEach(() => {
  folder = temporaryFolder();
});
afterEach(() => folder.remove());

function afterTurns(turns: number, work: () => void): void {
  if (turns === 0) work();
  else queueMicrotask(() => afterTurns(turns - 1, work));
}

test.each([...Array(12).keys()])(
  'a file that is to be written anew %i turns after a line was written is written at once',
  async (turns) => {
    const path = join(folder.path, 'lines.jsonl');
    let second: Promise<string> | null = null;
    const ledger = new LineLedger(
      path,
      {
        ...disk,
        async append(to) {
          const file = await disk.append(to);
          return {
            ...file,
            sync() {
              if (second === null) {
                second = Promise.resolve('not yet');
                afterTurns(turns, () => {
                  second = ledger.add({ line: 2 }).then(() => 'written');
                  ledger.replace([{ line: 1 }, { line: 2 }]);
                });
              }
              return file.sync();
            },
          };
        },
      },
      () => undefined,
    );
    await ledger.add({ line: 1 });
    const late = new Promise((resolve) => setTimeout(resolve, 2000, 'late'));
    expect(await Promise.race([second, late])).toBe('written');
    await ledger.finish(1);
    expect((await readLines(path, disk)).entries).toEqual([{ line: 1 }, { line: 2 }]);
  },
);

test('a gap that lacks what the pages show is passed over', async () => {
  const lost = { kind: 'trip-lost', event: 'e', source: 'contact', at_ms: 1, why: 'w' };
  const down = { kind: 'no-recorder', after: 'b', from_ms: 1, to_ms: 2, isClean: true, pump: 'unknown' };
  const damaged = [
    ...Object.keys(lost).map((key) => ({ ...lost, event: 'x', [key]: undefined })),
    ...Object.keys(down).map((key) => ({ ...down, after: 'x', [key]: undefined })),
    { ...lost, event: 'x', at_ms: 1e300 },
    { ...down, after: 'x', to_ms: -1e300 },
    { ...down, after: 'x', pump: 'toString' },
  ];
  const lines = [lost, ...damaged, down].map((line) => `${JSON.stringify(line)}\n`);
  writeFileSync(gapLedgerPath(folder.path), lines.join(''));
  expect(await readGaps(folder.path, disk)).toEqual([lost, down]);
});
