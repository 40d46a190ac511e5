/** What `npm run fuzz` runs: one parser each. */

/** Numbers that only grow or describe the run; printed with the result. `accepted` and `refused` by convention. */
export type FuzzCounts = Record<string, number>;

export interface FuzzTarget {
  readonly name: string;
  /** Cases of a full run. */
  readonly count: number;
  /** Cases of the small run in the ordinary tests. */
  readonly smallCount: number;
  /**
   * Feeds `count` random and mutated inputs that follow from `seed` alone. Throws when the parser breaks a promise; says in
   * the message what was promised. Calls `progress` with the number of cases done at least every second: a target that
   * stays silent is taken to hang.
   */
  run(seed: number, count: number, progress: (done: number) => void): FuzzCounts | Promise<FuzzCounts>;
}

/** Memory that a run may gain over what it held after its first fifth, in MB: caches and the collector's own lag. */
export const mostGrowth_MB = 64;
