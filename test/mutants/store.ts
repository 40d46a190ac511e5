/** Defects in what must outlive a power cut. */
import type { Mutant, Room } from './mutant.ts';

const cut = ['test/property/power-cut.test.ts'];
const ring = ['test/property/disk-ring.test.ts'];
const place = (file: string, tests: readonly string[]) => {
  return (name: string, find: string, replace: string): Mutant => ({
    name,
    file: `daemon/${file}`,
    find,
    replace,
    tests,
  });
};
const segment = place('recorder/ring-segment.ts', cut);
const ledger = place('store/line-ledger.ts', cut);

export const store: Room = {
  room: 'store',
  mutants: [
    segment('ring tail not synced', 'await pair.tail.sync();', ''),
    segment('ring segment not synced', 'await pair.segment.sync();', ''),
    segment('ring folder not synced', 'await this.files.syncFolder(folder);', ''),
    segment('tail renewed before the segment', 'const isEnough = isMinuteOver ||', 'const isEnough ='),
    segment('tail forgets what it has', 'own.tailed = count;', 'own.tailed = count + 1;'),
    ledger('ledger not synced', 'await file.sync();', ''),
    ledger(
      'folder of the ledger not synced',
      'if (last === undefined) await this.#files.syncFolder(dirname(path));',
      '',
    ),
    ledger(
      'resolved when written',
      'this.#unsynced.push(...batch);',
      'this.#unsynced.push(...batch);\n    for (const { resolve } of batch) resolve();',
    ),
    place('store/files.ts', cut)('whole file not synced', 'await file.sync();\n  } finally', '} finally'),
    place('recorder/ring-segment.ts', ring)(
      'blocks left pending count twice',
      'own.blocks = own.blocks.slice(count);',
      '',
    ),
    place('store/index-tables.ts', ['test/unit/store/sync-level.test.ts'])(
      'index not synced',
      'PRAGMA synchronous = FULL',
      'PRAGMA synchronous = NORMAL',
    ),
  ],
};
