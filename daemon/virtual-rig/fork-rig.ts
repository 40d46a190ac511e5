/** Starts virtual rigs in a process of their own, for the demo and for tests. */
import { type ChildProcess, fork } from 'node:child_process';
import { UnavailableError } from '../errors.ts';
import type { FromRigProcess, RigCommand, RigFolders, ToRigProcess } from './rig-process.ts';
import type { RigSpec } from './rig-spec.ts';
import type { RigPort, RigStatus } from './run-rig.ts';
import type { TripTruth } from './truth.ts';

export interface ForkRigOptions extends RigFolders {
  /** A trip has settled; `path` is where its truth was written. */
  readonly onTruth?: (truth: TripTruth, path: string | null) => void;
  /** The cycle has made all its trips. */
  readonly onEnd?: () => void;
  /** One sentence a person should read. */
  readonly warn?: (sentence: string) => void;
  /** The process ended without being asked to. */
  readonly onLost?: (why: string) => void;
}

export interface RigHandle {
  readonly ports: readonly RigPort[];
  readonly truthFolder: string | null;
  /** CLOCK_MONOTONIC at the rig's time 0, in s. */
  readonly base_s: number;
  readonly pid: number;
  /** Rejects with what the rig says when there is no such line, unit or sensor. `status` resolves with it, the rest with null. */
  command(command: RigCommand): Promise<RigStatus | null>;
  /** Resolves when ports are closed and their names removed; with the last rig of a process that process ends. */
  stop(): Promise<void>;
}

/** One rig in one process. `source`: a rig file, or a rig as an object. */
export async function forkRig(source: string | RigSpec, options: ForkRigOptions = {}): Promise<RigHandle> {
  const [rig] = await forkRigs([{ source, options }]);
  return rig!;
}

/**
 * Several rigs side by side in one process, which is lighter than one each; they share nothing but its event loop.
 * Rejects, and leaves nothing behind, when one cannot start: `ConfigError` and `DataError` for what is in the file,
 * `UnavailableError` for ports that cannot be had.
 */
export async function forkRigs(
  wanted: readonly { readonly source: string | RigSpec; readonly options: ForkRigOptions }[],
): Promise<readonly RigHandle[]> {
  const child = fork(new URL('./main.ts', import.meta.url), {
    serialization: 'advanced',
    // Flags of the parent (a test runner's, a debugger's port) are not for the rig.
    execArgv: [],
  });
  const rigProcess = new RigProcess(child);
  try {
    return await Promise.all(
      wanted.map(({ source, options }, rig) => rigProcess.start(rig, source, options)),
    );
  } catch (error) {
    await rigProcess.end();
    throw error;
  }
}

interface Waiting<T> {
  readonly done: (value: T) => void;
  readonly fail: (error: Error) => void;
}

class RigProcess {
  readonly #child: ChildProcess;
  readonly #options = new Map<number, ForkRigOptions>();
  readonly #starting = new Map<number, Waiting<RigHandle>>();
  readonly #calls = new Map<number, Waiting<RigStatus | null>>();
  readonly #stopping = new Map<number, () => void>();
  readonly #exited: Promise<void>;
  #lastCall = 0;
  #isEnding = false;

  constructor(child: ChildProcess) {
    this.#child = child;
    child.on('message', (message: FromRigProcess) => this.#receive(message));
    // A send to a process that has just died reports here; `exit` follows and settles everything.
    child.on('error', () => undefined);
    this.#exited = new Promise((done) => {
      child.once('exit', (code, signal) => {
        this.#lost(signal === null ? `it ended with code ${code}` : `it was ended by ${signal}`);
        done();
      });
    });
  }

  start(rig: number, source: string | RigSpec, options: ForkRigOptions): Promise<RigHandle> {
    this.#options.set(rig, options);
    const { folder, truthFolder } = options;
    const folders = {
      ...(folder === undefined ? {} : { folder }),
      ...(truthFolder === undefined ? {} : { truthFolder }),
    };
    return new Promise((done, fail) => {
      this.#starting.set(rig, { done, fail });
      this.#tell({ start: { rig, source, folders } });
    });
  }

  /** Ends the process and waits for that. */
  async end(): Promise<void> {
    this.#isEnding = true;
    if (this.#child.connected) this.#child.disconnect();
    await this.#exited;
  }

  #tell(message: ToRigProcess): void {
    if (this.#child.connected) this.#child.send(message);
  }

  #command(rig: number, command: RigCommand): Promise<RigStatus | null> {
    return new Promise((done, fail) => {
      if (!this.#child.connected) {
        fail(new UnavailableError('the virtual rig has ended'));
        return;
      }
      const call = ++this.#lastCall;
      this.#calls.set(call, { done, fail });
      this.#tell({ command: { rig, call, command } });
    });
  }

  async #stop(rig: number): Promise<void> {
    if (!this.#options.has(rig) || !this.#child.connected) return;
    const stopped = new Promise<void>((done) => this.#stopping.set(rig, done));
    this.#tell({ stop: { rig } });
    await stopped;
    this.#options.delete(rig);
    if (this.#options.size === 0) await this.end();
  }

  #receive(message: FromRigProcess): void {
    if ('started' in message) {
      const { rig, ports, truthFolder, base_s } = message.started;
      this.#starting.get(rig)?.done({
        ports,
        truthFolder,
        base_s,
        pid: this.#child.pid ?? 0,
        command: (command) => this.#command(rig, command),
        stop: () => this.#stop(rig),
      });
      this.#starting.delete(rig);
    } else if ('failed' in message) {
      const { rig, name, message: text } = message.failed;
      const error = new UnavailableError(text);
      // The kind decides the exit code; the class itself does not cross a process border.
      error.name = name;
      this.#starting.get(rig)?.fail(error);
      this.#starting.delete(rig);
    } else if ('answer' in message) {
      const { call, status, error } = message.answer;
      const waiting = this.#calls.get(call);
      this.#calls.delete(call);
      if (error === null) waiting?.done(status);
      else waiting?.fail(new RangeError(error));
    } else if ('truth' in message) {
      const { rig, truth, path } = message.truth;
      this.#options.get(rig)?.onTruth?.(truth, path);
    } else if ('ended' in message) this.#options.get(message.ended.rig)?.onEnd?.();
    else if ('warned' in message) this.#options.get(message.warned.rig)?.warn?.(message.warned.sentence);
    else this.#stopping.get(message.stopped.rig)?.();
  }

  /** Nobody may wait for ever on a process that is gone. */
  #lost(why: string): void {
    const error = new UnavailableError(`the virtual rig's process is gone: ${why}`);
    for (const { fail } of this.#starting.values()) fail(error);
    for (const { fail } of this.#calls.values()) fail(error);
    for (const done of this.#stopping.values()) done();
    if (!this.#isEnding) for (const options of this.#options.values()) options.onLost?.(why);
    this.#starting.clear();
    this.#calls.clear();
  }
}
