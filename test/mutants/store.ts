/** Defects in what must outlive a power cut. */
import type { Mutant, Room } from './mutant.ts';

const cut = ['test/property/power-cut.test.ts'];
const cutLedgers = ['test/property/power-cut-ledgers.test.ts'];
const cutEvents = ['test/property/power-cut-events.test.ts'];
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
const anyLedger = place('store/line-ledger.ts', cutLedgers);
const writes = place('store/write-ledger.ts', cutLedgers);
const calibrations = place('instruments/calibration-ledger.ts', cutLedgers);
const folder = place('store/event-folder.ts', cutEvents);

export const store: Room = {
  room: 'store',
  mutants: [
    segment('ring tail not synced', 'await pair.tail.sync();', ''),
    segment('ring segment not synced', 'await pair.segment.sync();', ''),
    segment('ring folder not synced', 'await this.files.syncFolder(folder);', ''),
    segment('name of the ring not synced', 'await this.files.syncFolder(this.dataFolder);', ''),
    segment('tail renewed before the segment', 'const isEnough = isMinuteOver ||', 'const isEnough ='),
    segment('tail forgets what it has', 'own.tailed = count;', 'own.tailed = count + 1;'),
    ledger('ledger not synced', 'await file.sync();', ''),
    ledger(
      'folder of the ledger not synced',
      'await this.#files.syncFolder(dirname(path));\n    } catch',
      '} catch',
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
    anyLedger('renamed ledger not synced', 'await this.#files.syncFolder(dirname(this.path));', ''),
    anyLedger(
      'ledger written anew without its waiting lines',
      'this.#carried.push(...this.#queue.splice(0));',
      'for (const { resolve } of this.#queue.splice(0)) resolve();',
    ),
    writes('ordered write not synced', 'await file.sync();', ''),
    writes('folder of the writes not synced', 'await this.#files.syncFolder(dirname(this.#path));', ''),
    calibrations(
      'renamed calibrations not synced',
      'await files.rename(temporary, path);\n  await files.syncFolder(config.dataFolder);',
      'await files.rename(temporary, path);',
    ),
    calibrations(
      'calibrations of a killed start not vouched for',
      'if (lines.length > 0) await',
      'if (false) await',
    ),
    folder('content of an event folder not synced', 'await files.syncFolder(temporary);', ''),
    folder('month of an event not synced', 'await files.syncFolder(month);', ''),
    folder('year of an event not synced', 'await files.syncFolder(dirname(month));', ''),
    folder('folder of the years not synced', "await files.syncFolder(join(dataFolder, 'events'));", ''),
    folder('first event of a data folder not synced', 'await files.syncFolder(dataFolder);', ''),
    place('recorder/recovery.ts', cutEvents)(
      'name of a killed event not synced',
      'await keepEventName(dataFolder, there, files);',
      '',
    ),
    place('store/files.ts', cutEvents)(
      'content of an event not synced',
      'await file.sync();\n  } finally',
      '} finally',
    ),
    place('store/verdict-files.ts', cutEvents)(
      'name of a verdict not synced',
      'await files.syncFolder(folder);\n  return path;',
      'return path;',
    ),
    place('store/removed-trace.ts', cutEvents)(
      'trace removed before its note',
      'await files.syncFolder(folder);',
      '',
    ),
    place('store/index-tables.ts', ['test/unit/store/sync-level.test.ts'])(
      'index not synced',
      'PRAGMA synchronous = FULL',
      'PRAGMA synchronous = NORMAL',
    ),
  ],
};
