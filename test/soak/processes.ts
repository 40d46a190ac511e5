/** The processes of a soak: started, told, asked, and never left behind. */
import { type ChildProcess, fork } from 'node:child_process';
import { once } from 'node:events';
import { openSync } from 'node:fs';

/** A child that answers each message with one of its own. */
export class Worker<To extends object | string, From extends { readonly kind: string }> {
  readonly child: ChildProcess;
  /** Resolves with code or signal when the process has ended. */
  readonly ended: Promise<string>;
  readonly #waiting: { readonly kind: string; readonly resolve: (message: From) => void }[] = [];

  /** Standard error goes into the file `log`. `onMessage` sees everything that comes. */
  constructor(
    module: URL,
    log: string,
    environment: Record<string, string>,
    onMessage: (message: From) => void,
  ) {
    const out = openSync(log, 'a');
    this.child = fork(module.pathname, [], {
      serialization: 'advanced',
      stdio: ['ignore', out, out, 'ipc'],
      env: { ...process.env, ...environment },
    });
    this.ended = new Promise((resolve) => {
      this.child.once('exit', (code, signal) => resolve(signal ?? String(code)));
    });
    this.child.on('message', (message: From) => {
      onMessage(message);
      const at = this.#waiting.findIndex(({ kind }) => kind === message.kind);
      if (at >= 0) this.#waiting.splice(at, 1)[0]!.resolve(message);
    });
  }

  get pid(): number {
    const { pid } = this.child;
    if (pid === undefined) throw new Error('the process did not start');
    return pid;
  }

  /** Sends and waits for the next message of this kind. Rejects when the process ends first. */
  async ask<Kind extends From['kind']>(message: To, kind: Kind): Promise<Extract<From, { kind: Kind }>> {
    const answer = this.heard(kind);
    this.child.send(message);
    return answer;
  }

  /** The next message of this kind. Rejects when the process ends first. */
  async heard<Kind extends From['kind']>(kind: Kind): Promise<Extract<From, { kind: Kind }>> {
    const answer = new Promise<From>((resolve) => this.#waiting.push({ kind, resolve }));
    const gone = this.ended.then((how) => {
      throw new Error(`process ${this.pid} ended (${how}) before it said "${kind}"`);
    });
    return (await Promise.race([answer, gone])) as Extract<From, { kind: Kind }>;
  }

  /** Kills what is still there. */
  async kill(): Promise<void> {
    if (this.child.exitCode !== null || this.child.signalCode !== null) return;
    const exit = once(this.child, 'exit');
    this.child.kill('SIGKILL');
    await exit;
  }
}
