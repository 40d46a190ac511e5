/**
 * A file of JSON lines that only grows. Writing starts at once and goes on beside the caller; a disk that refuses is asked
 * again for ever. A line that a kill or a power cut tore is closed before the next one, and readers pass it over.
 */

import { dirname } from 'node:path';
import { type Clock, systemClock } from '../../drivers/clock.ts';
import { type Files, isMissing, type OpenFile, writeWhole } from './files.ts';

/** A disk that refused is asked again after so long, in s. */
const retry_s = 2;
/** Lines that wait for a disk, at most; the oldest are given up and counted. */
const mostWaiting = 10_000;
const newline = 0x0a;

/** What stands in a ledger. */
export interface LedgerText {
  /** The parsed lines, oldest first. */
  readonly entries: readonly unknown[];
  /** Lines that are no JSON: torn, or damaged. */
  readonly linesTorn: number;
}

/** Empty when the file is not there. Rejects with the system's error. */
export async function readLines(path: string, files: Files): Promise<LedgerText> {
  let text: string;
  try {
    text = Buffer.from(await files.read(path)).toString('utf8');
  } catch (error) {
    if (isMissing(error)) return { entries: [], linesTorn: 0 };
    throw error;
  }
  const entries: unknown[] = [];
  let linesTorn = 0;
  for (const line of text.split('\n')) {
    if (line.trim() === '') continue;
    try {
      entries.push(JSON.parse(line));
    } catch {
      linesTorn++;
    }
  }
  return { entries, linesTorn };
}

interface Waiting {
  readonly text: string;
  readonly resolve: () => void;
}

export class LineLedger {
  /** `linesGivenUp`: never written, because the disk refused for too long. */
  readonly counters = { linesWritten: 0, lineWritesFailed: 0, linesGivenUp: 0 };
  readonly path: string;
  readonly #files: Files;
  readonly #clock: Clock;
  readonly #onRefused: (error: unknown) => void;
  readonly #giveUp = new AbortController();
  #queue: Waiting[] = [];
  /** Written, but not known to be on the medium. */
  #unsynced: Waiting[] = [];
  /** The lines that are to stand in the file alone, before those of the queue; null: those that are there stay. */
  #anew: readonly object[] | null = null;
  /** Lines that waited when the file was to be written anew; they are among those of `#anew`. */
  #carried: Waiting[] = [];
  #file: OpenFile | null = null;
  #running: Promise<void> | null = null;
  #syncing: Promise<void> | null = null;

  /** `onRefused` is called for each attempt that the disk refused. */
  constructor(path: string, files: Files, onRefused: (error: unknown) => void, clock: Clock = systemClock) {
    this.#clock = clock;
    this.path = path;
    this.#files = files;
    this.#onRefused = onRefused;
  }

  /** Opens the file, so that the first line need not wait for it. */
  open(): void {
    this.#start(true);
  }

  /** Begins to write at once; resolves when the line is on the medium, or when it is given up. */
  async add(entry: object): Promise<void> {
    const written = new Promise<void>((resolve) => {
      this.#queue.push({ text: `${JSON.stringify(entry)}\n`, resolve });
    });
    if (this.#queue.length > mostWaiting) this.#drop(this.#queue.splice(0, 1));
    this.#start(false);
    await written;
  }

  /** Puts these lines, which hold all that wait, in place of all others: the file stays as it is or is the new one. */
  replace(entries: readonly object[]): void {
    this.#anew = entries;
    this.#carried.push(...this.#queue.splice(0));
    this.#start(false);
  }

  /** Resolves when all is written and the file is closed. After `patience_s` what waits is given up. */
  async finish(patience_s: number): Promise<void> {
    const timer = this.#clock.setTimeout(() => this.#giveUp.abort(), patience_s * 1000);
    while (this.#running !== null || this.#syncing !== null) {
      await this.#running;
      await this.#syncing;
    }
    this.#clock.clear(timer);
    this.#drop([...this.#carried.splice(0), ...this.#queue.splice(0), ...this.#unsynced.splice(0)]);
    await this.#close();
  }

  #start(isOpening: boolean): void {
    this.#running ??= this.#run(isOpening).finally(() => {
      this.#running = null;
      // A sync that failed meanwhile has put its lines back; the file may have been replaced in the turn that ended the loop.
      if ((this.#queue.length > 0 || this.#anew !== null) && !this.#giveUp.signal.aborted) this.#start(false);
    });
  }

  async #run(isOpening: boolean): Promise<void> {
    for (let isNew = isOpening; isNew || this.#queue.length > 0 || this.#anew !== null; isNew = false) {
      try {
        if (this.#anew !== null) await this.#writeAnew(this.#anew);
        this.#file ??= await this.#open();
        if (this.#queue.length > 0) await this.#write(this.#file);
      } catch (error) {
        await this.#refused(error);
        if (this.#giveUp.signal.aborted) return;
      }
    }
  }

  /** A line is written while those before it are still being synced: a kill of the process spares what has been written. */
  async #write(file: OpenFile): Promise<void> {
    const batch = this.#queue.splice(0);
    try {
      await file.write(Buffer.from(batch.map(({ text }) => text).join('')));
    } catch (error) {
      this.#queue.unshift(...batch);
      throw error;
    }
    this.#unsynced.push(...batch);
    this.#beginSync(file);
  }

  #beginSync(file: OpenFile): void {
    this.#syncing ??= this.#sync(file).finally(() => {
      this.#syncing = null;
      // Written once more while the refused sync paused.
      if (this.#unsynced.length > 0 && !this.#giveUp.signal.aborted) this.#beginSync(file);
    });
  }

  async #sync(file: OpenFile): Promise<void> {
    while (this.#unsynced.length > 0) {
      const batch = [...this.#unsynced];
      try {
        await file.sync();
      } catch (error) {
        this.counters.lineWritesFailed++;
        this.#onRefused(error);
        // Whether they are on the medium is not known: they are written once more.
        this.#queue.unshift(...this.#unsynced.splice(0));
        await this.#pause();
        if (!this.#giveUp.signal.aborted) this.#start(false);
        return;
      }
      this.#unsynced = this.#unsynced.filter((each) => !batch.includes(each));
      this.counters.linesWritten += batch.length;
      for (const { resolve } of batch) resolve();
    }
  }

  async #refused(error: unknown): Promise<void> {
    this.counters.lineWritesFailed++;
    this.#onRefused(error);
    await this.#syncing;
    // Half a line may stand there; opening the file anew closes it.
    await this.#close();
    await this.#pause();
  }

  async #pause(): Promise<void> {
    if (this.#giveUp.signal.aborted) return;
    await this.#clock.sleep(retry_s, this.#giveUp.signal);
  }

  async #writeAnew(entries: readonly object[]): Promise<void> {
    const temporary = `${this.path}.tmp`;
    await this.#syncing;
    const carried = [...this.#carried];
    await this.#close();
    const text = entries.map((entry) => `${JSON.stringify(entry)}\n`).join('');
    await writeWhole(this.#files, temporary, [Buffer.from(text)]);
    await this.#files.rename(temporary, this.path);
    await this.#files.syncFolder(dirname(this.path));
    if (this.#anew === entries) this.#anew = null;
    this.#carried = this.#carried.filter((each) => !carried.includes(each));
    for (const { resolve } of carried) resolve();
  }

  async #open(): Promise<OpenFile> {
    const { path } = this;
    let last: number | undefined;
    try {
      last = (await this.#files.read(path)).at(-1);
    } catch (error) {
      if (!isMissing(error)) throw error;
    }
    const file = await this.#files.append(path);
    try {
      if (last !== undefined && last !== newline) await file.write(Buffer.from('\n'));
      // Else the name itself could be lost: a process that was killed before it did so may have left the file.
      await this.#files.syncFolder(dirname(path));
    } catch (error) {
      await file.close();
      throw error;
    }
    return file;
  }

  /** A close that fails costs nothing: what counts was synced. */
  async #close(): Promise<void> {
    const file = this.#file;
    this.#file = null;
    await file?.close().catch((error: unknown) => this.#onRefused(error));
  }

  #drop(given: readonly Waiting[]): void {
    this.counters.linesGivenUp += given.length;
    for (const { resolve } of given) resolve();
  }
}
