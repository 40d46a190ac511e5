/** What a killed process left beside the files that are to be there, and whether the next start has dealt with it. */
import { existsSync, readdirSync } from 'node:fs';
import { join, sep } from 'node:path';
import { isEventId } from '../../daemon/store/event-folder.ts';
import { isSegment, isTail } from '../../daemon/store/ring-format.ts';

/** Names at the top of a data folder. */
const owned =
  /^(recorder\.lock|server\.lock(\.new)?|(calibrations|writes|trips|gaps)\.jsonl|trips\.jsonl\.tmp|(tripwave|trends|outbox)\.db(-wal|-shm|-journal)?)$/;
const inEvent = /^(trace\.bin|event\.json|verdict-\d+\.json|trace-removed\.json)$/;
const tornEvent = /^\d{8}T\d{6}Z-[0-9A-Z]{3}\.tmp-\d+$/;
const unfinishedVerdict = /verdict-\d+\.json\.tmp-\d+(-[0-9a-f]+)?$/;

/** Paths in the data folder, without the files that are to be there. */
interface LeftOver {
  /** Folders of events that were being written. */
  readonly torn: readonly string[];
  /** Unfinished copies of verdicts. */
  readonly verdicts: readonly string[];
  /** Tails of the ring: the last second of a recorder that did not end in order. */
  readonly tails: readonly string[];
  /** What nothing in the project would make, finished or not. */
  readonly strangers: readonly string[];
}

/** Every file that is neither event, verdict, segment of the ring, index nor ledger. What was set aside as torn is not looked into. */
function leftOver(dataFolder: string): LeftOver {
  const torn = new Set<string>();
  const verdicts: string[] = [];
  const tails: string[] = [];
  const strangers: string[] = [];
  const files = readdirSync(dataFolder, { recursive: true, withFileTypes: true })
    .filter((entry) => !entry.isDirectory() || tornEvent.test(entry.name))
    .map(({ parentPath, name }) => join(parentPath, name).slice(dataFolder.length + 1));
  for (const path of files) {
    const parts = path.split(sep);
    const name = parts.at(-1)!;
    const [top, , , event] = parts;
    if (top === 'torn') continue;
    if (top === 'events' && event !== undefined && tornEvent.test(event))
      torn.add(join(...parts.slice(0, 4)));
    else if (top === 'events' && unfinishedVerdict.test(name)) verdicts.push(path);
    else if (top === 'ring' && parts.length === 2 && isTail(name)) tails.push(path);
    else if (!isOwned(parts)) strangers.push(path);
  }
  return { torn: [...torn], verdicts, tails, strangers };
}

function isOwned(parts: readonly string[]): boolean {
  const [top, , , event, file] = parts;
  if (parts.length === 1) return owned.test(top!);
  if (top === 'ring') return parts.length === 2 && isSegment(parts[1]!);
  return top === 'events' && parts.length === 5 && isEventId(event!) && inEvent.test(file!);
}

/** Follows what is left over from each kill to the start after it. */
export class LeftOvers {
  readonly failures: string[] = [];
  /** How often a kill left something unfinished, by what it was. */
  readonly seen = { torn: 0, verdicts: 0, tails: 0 };
  readonly #data: string;
  #left: LeftOver = { torn: [], verdicts: [], tails: [], strangers: [] };

  constructor(dataFolder: string) {
    this.#data = dataFolder;
  }

  /** To be called after a kill, before anything else looks into the folder. */
  killed(): void {
    if (!existsSync(this.#data)) return;
    this.#left = leftOver(this.#data);
    this.seen.torn += this.#left.torn.length;
    this.seen.verdicts += this.#left.verdicts.length;
    this.seen.tails += this.#left.tails.length;
    for (const path of this.#left.strangers)
      this.failures.push(`${path}: left by a kill, belongs to nothing`);
  }

  /** To be called when the recorder after the kill has started: torn events lie aside, each tail is a segment. */
  started(): void {
    for (const path of [...this.#left.torn, ...this.#left.tails]) {
      if (existsSync(join(this.#data, path))) this.failures.push(`${path}: still there after the next start`);
    }
    const aside = existsSync(join(this.#data, 'torn')) ? readdirSync(join(this.#data, 'torn')) : [];
    if (existsSync(join(this.#data, 'trips.jsonl.tmp')))
      this.failures.push('trips.jsonl.tmp: still there after the next start');
    for (const path of this.#left.torn) {
      const name = path.split(sep).at(-1)!;
      if (!aside.some((each) => each === name || each.startsWith(`${name}-`)))
        this.failures.push(`${path}: neither there nor set aside`);
    }
    this.#left = { torn: [], verdicts: [], tails: [], strangers: [] };
  }

  /** What is still unfinished; nothing may be once all that was owed is made good. */
  unfinished(): string[] {
    const { torn, verdicts, strangers } = leftOver(this.#data);
    return [...torn, ...verdicts, ...strangers];
  }
}
