/** One planted defect, and the tests that must fail with it. */
export interface Mutant {
  /** Short name, unique in the list of its room. */
  readonly name: string;
  readonly file: string;
  /** Stands exactly once in the file; so a mutant whose place has changed is seen. */
  readonly find: string;
  readonly replace: string;
  /** Test files of which one must fail. */
  readonly tests: readonly string[];
  /** Why no test can kill it yet; such a mutant may survive. */
  readonly survives?: string;
}

/** The defects of one room. */
export interface Room {
  readonly room: string;
  readonly mutants: readonly Mutant[];
}
