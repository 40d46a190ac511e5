/** The server beside the recorder: told what happens, never waited for, and killed when it answers nothing for long. */
import type { Clock } from '../../drivers/clock.ts';
import type { Counters } from '../../drivers/driver.ts';
import { LiveLane } from './credits.ts';
import type { Log } from './log.ts';
import type { HelloMessage, StatusMessage, ToRecorder, ToServer } from './messages.ts';
import type { PeriodSummary } from './summary.ts';
import { ServerSupervisor } from './supervise.ts';

/** A server that owes answers for so long is taken for dead, in s. */
const hungServer_s = 60;

export interface ServerLaneOptions {
  /** Path of the server's module; null: there is none, and everything is dropped. */
  readonly module: string | null;
  readonly log: Log;
  readonly clock: Clock;
  /** What a server must know first. */
  readonly hello: () => HelloMessage;
  /** What it says, but for its credits. */
  readonly onMessage: (message: Exclude<ToRecorder, { kind: 'credit' }>) => void;
  /** See `SuperviseOptions`. */
  readonly onUnavailable: () => void;
}

export class ServerLane {
  private readonly options: ServerLaneOptions;
  private readonly server: ServerSupervisor | null;
  private readonly live: LiveLane;
  private answered_s: number;

  constructor(options: ServerLaneOptions) {
    const { module, log, clock, onUnavailable } = options;
    this.options = options;
    this.answered_s = clock.monotonic_s();
    this.server =
      module === null
        ? null
        : new ServerSupervisor({
            module,
            log,
            clock,
            onStarted: () => this.greet(),
            onMessage: (message) => this.hear(message),
            onUnavailable,
          });
    this.live = new LiveLane((message) => this.server?.send(message) ?? false);
  }

  get counters(): Counters {
    return { ...this.live.counters, ...this.server?.counters };
  }

  start(): void {
    this.answered_s = this.options.clock.monotonic_s();
    this.server?.start();
  }

  async stop(): Promise<void> {
    await this.server?.stop();
  }

  summary(summary: PeriodSummary): void {
    this.live.summary(summary);
  }

  status(status: StatusMessage): void {
    this.live.latest(status);
  }

  /** Lost without harm when it does not arrive. */
  hint(message: ToServer): void {
    this.server?.hint(message);
  }

  /** Says hello (again): what the server knows of the rig has changed. */
  introduce(): void {
    this.server?.send(this.options.hello());
  }

  /** To be called regularly. */
  watch(now_s: number): void {
    if (!this.live.isFull) this.answered_s = now_s;
    else if (now_s - this.answered_s > hungServer_s) {
      this.options.log.error({ silent_s: hungServer_s }, 'server killed: it answers nothing');
      this.answered_s = now_s;
      this.server?.kill();
    }
  }

  private greet(): void {
    this.introduce();
    this.live.restart();
  }

  private hear(message: ToRecorder): void {
    if (message.kind === 'credit') this.live.credit(message.count);
    else this.options.onMessage(message);
  }
}
