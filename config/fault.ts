/** What is wrong in a file a person wrote, and where. */

/** 1-based, as editors count. */
export interface Place {
  readonly line: number;
  readonly column: number;
}

export interface Fault {
  /** A `warning` never stops the program. */
  readonly severity: 'fault' | 'warning';
  readonly file: string;
  /** Null when the file as a whole is at fault. */
  readonly place: Place | null;
  /** Where in the tree, for example `legs[0].bore`; empty for the whole file. */
  readonly path: string;
  /** What was found, what is allowed, what was probably meant. */
  readonly message: string;
}

/** One line: `file:line:column: path: message`, with `warning: ` before the path where it is one. */
export function formatFault({ severity, file, place, path, message }: Fault): string {
  const where = place === null ? file : `${file}:${place.line}:${place.column}`;
  return [where, ...(severity === 'warning' ? ['warning'] : []), ...(path ? [path] : []), message].join(': ');
}

/** Faults first by place in the file; those of the whole file lead. */
export function sortFaults(faults: readonly Fault[]): readonly Fault[] {
  const key = ({ place }: Fault) => (place === null ? 0 : place.line * 1e5 + place.column);
  return [...faults].sort((a, b) => key(a) - key(b));
}

/** A file cannot be used; carries every fault and warning found in it. The message is all of them, one a line. */
export class ConfigError extends Error {
  override name = 'ConfigError';
  readonly faults: readonly Fault[];

  constructor(faults: readonly Fault[]) {
    super(faults.map(formatFault).join('\n'));
    this.faults = faults;
  }
}

/** Collects what checks across keys find; `at` gives the place of a path (see `Loaded.at` in yaml-load.ts). */
export class Findings {
  readonly #file: string;
  readonly #at: (path: string) => Place | null;
  readonly #list: Fault[];

  constructor(file: string, at: (path: string) => Place | null, first: readonly Fault[] = []) {
    this.#file = file;
    this.#at = at;
    this.#list = [...first];
  }

  fault(path: string, message: string): void {
    this.#list.push({ severity: 'fault', file: this.#file, place: this.#at(path), path, message });
  }

  warn(path: string, message: string): void {
    this.#list.push({ severity: 'warning', file: this.#file, place: this.#at(path), path, message });
  }

  /** `line 12`, for a message about another place. */
  where(path: string): string {
    const place = this.#at(path);
    return place === null ? path : `line ${place.line}`;
  }

  /** Whether there is a fault below `path`: what seems to be missing there may have been written. */
  isFaultyBelow(path: string): boolean {
    return this.#list.some((each) => each.severity === 'fault' && each.path.startsWith(`${path}.`));
  }

  get hasFault(): boolean {
    return this.#list.some(({ severity }) => severity === 'fault');
  }

  /** In the order of the file. */
  get list(): readonly Fault[] {
    return sortFaults(this.#list);
  }
}
