/** Starts the server process, starts it again when it dies, and never dies with it. */
import { type ChildProcess, fork } from 'node:child_process';
import type { Clock, ClockTimer } from '../../drivers/clock.ts';
import { exit } from '../errors.ts';
import type { Log } from './log.ts';
import type { ToRecorder, ToServer } from './messages.ts';
import { heapBound, serverArguments, serverEnvironment } from './server-memory.ts';
import { launchNode, rankBelow } from './server-rank.ts';

/** Waits before a restart grow from the first to the last, in s; a server that lived this long starts afresh. */
const firstWait_s = 0.2;
const lastWait_s = 5;
/** The same after a server that says that it cannot work here, in s. */
const unavailableWait_s = 30;
const healthy_s = 10;
/** Hints that may wait in the channel; beyond that the server will find the folders by itself. */
const mostHints = 32;
/** A server asked to end gets so long, in s. */
const ending_s = 5;

export interface SuperviseOptions {
  /** Path of the server's module. */
  readonly module: string;
  readonly log: Log;
  readonly clock: Clock;
  /** A server has been started; it can be sent to. */
  readonly onStarted: () => void;
  readonly onMessage: (message: ToRecorder) => void;
  /** A server ended because it cannot work here (an index of a newer version); it is started again after a long wait. */
  readonly onUnavailable: () => void;
}

export class ServerSupervisor {
  readonly counters = { serverStarts: 0, serverExits: 0, serverSendsFailed: 0, hintsDropped: 0 };
  private readonly options: SuperviseOptions;
  private child: ChildProcess | null = null;
  private timer: ClockTimer | null = null;
  private wait_s = firstWait_s;
  private hints = 0;
  private isStopping = false;
  private wasReady = false;

  constructor(options: SuperviseOptions) {
    this.options = options;
  }

  start(): void {
    const { module, log, clock, onMessage } = this.options;
    this.timer = null;
    const started_s = clock.monotonic_s();
    const { execPath, first, isOrdinary } = launchNode();
    if (!isOrdinary) {
      log.warn(
        { remedy: 'set CPUSchedulingResetOnFork=yes in the unit, or install chrt (util-linux)' },
        'server started with real-time priority: it can delay the recorder',
      );
    }
    let child: ChildProcess;
    try {
      child = fork(module, [], {
        serialization: 'advanced',
        stdio: ['ignore', 'inherit', 'inherit', 'ipc'],
        execPath,
        execArgv: [...first, ...process.execArgv, ...serverArguments, ...heapBound(process.env)],
        env: serverEnvironment(process.env),
      });
    } catch (error) {
      // No memory or no more processes allowed: the recorder goes on, the server comes later.
      log.error({ error }, 'server start failed');
      this.restartLater();
      return;
    }
    this.child = child;
    if (child.pid !== undefined) rankBelow(child.pid);
    this.hints = 0;
    this.counters.serverStarts++;
    let isOver = false;
    const over = (why: object) => {
      if (isOver) return;
      isOver = true;
      if (this.child === child) this.child = null;
      this.counters.serverExits++;
      if (this.isStopping) return;
      log.warn({ ...why, pid: child.pid }, 'server ended, will be started again');
      if (clock.monotonic_s() - started_s > healthy_s) this.wait_s = firstWait_s;
      if (child.exitCode === exit.unavailable && !this.wasReady) {
        this.options.onUnavailable();
        this.wait_s = unavailableWait_s;
      }
      this.restartLater();
    };
    child.on('exit', (code, signal) => over({ code, signal }));
    // Also what a send to a dead child emits; without a listener it would end this process.
    child.on('error', (error) => {
      if (child.exitCode !== null || child.pid === undefined) over({ error: error.message });
      else this.counters.serverSendsFailed++;
    });
    child.on('message', (message: ToRecorder) => {
      this.wasReady ||= message.kind === 'ready';
      if (message.kind === 'ready' && child.pid !== undefined) rankBelow(child.pid);
      onMessage(message);
    });
    this.options.onStarted();
  }

  /** Puts a live or hello message into the channel. False when there is no server. */
  send(message: ToServer): boolean {
    const { child } = this;
    if (child === null || !child.connected) return false;
    child.send(message, (error) => {
      if (error !== null) this.counters.serverSendsFailed++;
    });
    return true;
  }

  /** Sends a message that may be lost without harm; never lets more than a few pile up in front of a stopped server. */
  hint(message: ToServer): void {
    const { child } = this;
    if (child === null || !child.connected) return;
    if (this.hints >= mostHints) {
      this.counters.hintsDropped++;
      return;
    }
    this.hints++;
    child.send(message, (error) => {
      if (this.child === child) this.hints--;
      if (error !== null) this.counters.serverSendsFailed++;
    });
  }

  /** Ends a server that is alive and answers nothing; it is started again. */
  kill(): void {
    this.child?.kill('SIGKILL');
  }

  /** The server ends when its channel closes; one that does not is killed. */
  async stop(): Promise<void> {
    this.isStopping = true;
    const { clock } = this.options;
    clock.clear(this.timer);
    const { child } = this;
    if (child === null) return;
    const ended = new Promise<void>((resolve) => child.once('exit', () => resolve()));
    if (child.connected) child.disconnect();
    const timer = clock.setTimeout(() => child.kill('SIGKILL'), ending_s * 1000);
    await ended;
    clock.clear(timer);
  }

  private restartLater(): void {
    if (this.isStopping) return;
    this.timer = this.options.clock.setTimeout(() => this.start(), this.wait_s * 1000);
    this.wait_s = Math.min(lastWait_s, this.wait_s * 2);
  }
}
