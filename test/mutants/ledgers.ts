/** Defects in the ledgers: calibrations, trips, writes, gaps, and the lines that all but the first stand on. */
import type { Mutant, Room } from './mutant.ts';

const place = (file: string, ...tests: readonly string[]) => {
  return (name: string, find: string, replace: string): Mutant => ({
    name,
    file: `daemon/${file}.ts`,
    find,
    replace,
    tests,
  });
};
const calibrations = place('instruments/calibration-ledger', 'test/fault/calibration-ledger.test.ts');
const trips = place('store/trip-ledger', 'test/fault/line-ledger.test.ts');
const lines = place('store/line-ledger', 'test/fault/line-ledger.test.ts');
const writes = place('store/write-ledger', 'test/fault/write-ledger.test.ts');
const gaps = place('store/gap-ledger', 'test/unit/store/ledgers.test.ts');

export const ledgers: Room = {
  room: 'ledgers',
  mutants: [
    calibrations(
      'an edited version is accepted',
      'if (fingerprint(entry.written) === line.sha256) return null;',
      'return null;',
    ),
    calibrations(
      'a removed version is accepted',
      "if (entry === undefined) return 'found no such entry in the rig file any more';",
      'if (entry === undefined) return null;',
    ),
    calibrations('an edited ledger is accepted', ' || line.sha256 !== fingerprint(line.written)) {', ') {'),
    calibrations(
      'a version is entered at each start',
      '.filter(({ from }) => !known.has(',
      '.filter(({ from }) => true || known.has(',
    ),
    calibrations('a version before it begins', 'from_ms > wall_ms\n', 'false\n'),
    calibrations('a left-over of a killed start stays', 'await files.remove(temporary);', ''),
    calibrations('the ledger of another rig is a fault', 'if (line.rig !== config.name) return;', ''),
    trips('a shortened ledger forgets what is open', 'Math.min(open, first)', 'first'),
    trips(
      'a ledger that was not read is shortened',
      'if (this.#isRead && this.#lines.length',
      'if (this.#lines.length',
    ),
    trips('a ledger grows for ever', 'const mostLines = 1000;', 'const mostLines = 1e9;'),
    trips('a closed trip is owed', 'all.filter(({ event }) => !closed.has(event))', 'all'),
    trips(
      'a declaration without numbers counts',
      '.every(\n      Number.isFinite,\n    )',
      '.every(() => true)',
    ),
    trips('torn lines are kept', 'if (history.linesTorn > 0 || this.#lines.length', 'if (this.#lines.length'),
    lines(
      'a torn line swallows the next',
      "if (last !== undefined && last !== newline) await file.write(Buffer.from('\\n'));",
      '',
    ),
    lines(
      'a refused sync is an acknowledgement',
      'this.#queue.unshift(...this.#unsynced.splice(0));',
      'for (const { resolve } of this.#unsynced.splice(0)) resolve();',
    ),
    lines('a refused write is dropped', 'this.#queue.unshift(...batch);\n      throw error;', 'throw error;'),
    lines(
      'a line waits for the sync of the one before',
      'this.#beginSync(file);\n  }\n\n  #beginSync',
      'await this.#sync(file);\n  }\n\n  #beginSync',
    ),
    lines(
      'a file that is replaced in the turn of the opening',
      '(this.#queue.length > 0 || this.#anew !== null) && !this',
      'this.#queue.length > 0 && !this',
    ),
    writes('numbers begin at one', 'this.#last = now().getTime();', 'this.#last = 0;'),
    writes(
      'a torn line swallows a write',
      'const isTorn = last !== null && last !== newline;',
      'const isTorn = false;',
    ),
    writes('no record of what was asked', 'request: hex(request.pdu),', ''),
    gaps('a corrected gap counts twice', 'found.set(key, gap);', 'found.set(key + String(found.size), gap);'),
    gaps('a gap with an impossible date', 'Math.abs(value) <= 8.64e15', 'true'),
  ],
};
