/** Whether the disk ring holds after a kill what a commit stood for, how much more was on its way, and whether it stays. */
import { type RingTally, tallyRing } from '../../daemon/store/ring-read.ts';

/** Told by a recorder after each block: what it has been given, and how many commits of its ring stand. */
export interface RingWord {
  /** One past the number of the last scan given. */
  readonly scans: number;
  readonly commits: number;
  /** Monotonic, the same clock in every process, in s. */
  readonly time_s: number;
}

export interface RingResult {
  /** Scans whose commit stood when their recorder was killed, or was last heard of. */
  readonly acknowledged: number;
  /** Scans that the ring holds of what those recorders were given, and what they were given. */
  readonly read: number;
  readonly given: number;
  /** Oldest scan that was given and is not there: so long before the kill, in s. */
  readonly mostLost_s: number;
}

export class RingAudit {
  readonly failures: string[] = [];
  readonly #data: string;
  readonly #held = new Map<string, number>();
  #words: RingWord[] = [];
  #acknowledged = 0;
  #given = 0;
  #mostLost_s = 0;

  constructor(dataFolder: string) {
    this.#data = dataFolder;
  }

  heard(word: RingWord): void {
    this.#words.push(word);
  }

  /** To be called after a kill of the recorder, before the next one starts: the ring as the dead one left it. */
  async killed(killed_s: number): Promise<void> {
    const words = this.#words;
    this.#words = [];
    const fresh = (await this.#tally()).filter(({ boot }) => !this.#held.has(boot));
    // A recorder that was killed before its first commit has left no word of its own.
    if (fresh.length > 1) this.failures.push(`${fresh.length} runs in the ring that nobody began`);
    const end = fresh[0]?.endScan ?? 0;
    for (const { boot, endScan } of fresh) this.#held.set(boot, endScan);
    const acknowledged = acknowledgedIn(words);
    this.#acknowledged += acknowledged;
    this.#given += words.at(-1)?.scans ?? 0;
    const lost = words.find(({ scans }) => scans > end);
    if (lost !== undefined) this.#mostLost_s = Math.max(this.#mostLost_s, killed_s - lost.time_s);
    if (end < acknowledged) this.failures.push(`${acknowledged} scans were committed, the ring holds ${end}`);
  }

  /** The same while the recorder lives on: what its commits stand for is there. */
  async lives(): Promise<void> {
    const acknowledged = acknowledgedIn(this.#words);
    const end = (await this.#tally()).at(-1)?.endScan ?? 0;
    if (end < acknowledged) this.failures.push(`${acknowledged} scans were committed, the ring holds ${end}`);
  }

  /** Nothing that was read right after a kill is gone after all the starts since. */
  async result(): Promise<RingResult> {
    const tallies = new Map((await this.#tally()).map((tally) => [tally.boot, tally.endScan]));
    let read = 0;
    for (const [boot, held] of this.#held) {
      const now = tallies.get(boot) ?? 0;
      read += now;
      if (now !== held)
        this.failures.push(`run ${boot}: ${held} scans in the ring after the kill, now ${now}`);
    }
    return { acknowledged: this.#acknowledged, read, given: this.#given, mostLost_s: this.#mostLost_s };
  }

  /** One tally a run, oldest first; a hole in any of them is a failure. */
  async #tally(): Promise<RingTally[]> {
    const tallies = await tallyRing(this.#data);
    for (const { boot, firstScan, scansMissing, scansLost } of tallies) {
      if (firstScan > 0 || scansMissing > 0)
        this.failures.push(
          `run ${boot}: begins with scan ${firstScan}, ${scansMissing} missing, ${scansLost} lost`,
        );
    }
    return tallies;
  }
}

/** A commit that was under way when a scan came need not hold it; the one after it does. */
function acknowledgedIn(words: readonly RingWord[]): number {
  const commits = words.at(-1)?.commits ?? 0;
  return Math.max(0, ...words.filter((word) => word.commits <= commits - 2).map(({ scans }) => scans));
}
