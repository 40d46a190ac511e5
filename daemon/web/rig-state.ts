/** The server's picture of the rig: the last hello and status, and what is wrong. */
import type { HelloMessage, StatusMessage } from '../recorder/messages.ts';
import { recorderSilent_ms, TroubleWatch } from './troubles.ts';
import { rigOfHello } from './views.ts';
import type { RigView, StatusView } from './wire.ts';

/** `now_ms` is wall time; the recorder's own clock is used for nothing but intervals. */
export class RigState {
  readonly troubles = new TroubleWatch();
  #hello: HelloMessage | null = null;
  #status: StatusMessage | null = null;
  #rig: RigView | null = null;
  #heard_ms = 0;
  #analysed = new Set<string>();
  #now_ms: () => number;

  constructor(now_ms: () => number) {
    this.#now_ms = now_ms;
  }

  /** Null until the recorder has said hello. */
  get rig(): RigView | null {
    return this.#rig;
  }

  hello(hello: HelloMessage): void {
    this.#hello = hello;
    this.#rig = rigOfHello(hello);
    this.#heard_ms = this.#now_ms();
  }

  status(status: StatusMessage): void {
    this.#status = status;
    this.#heard_ms = this.#now_ms();
    this.troubles.observe(status, this.#heard_ms);
  }

  /** The record of an event is closed and its verdict is being made, or (`false`) is there. */
  analysing(event: string, isGoingOn: boolean): void {
    if (isGoingOn) this.#analysed.add(event);
    else this.#analysed.delete(event);
  }

  /** What to show now. A recorder that stays silent is said to be gone, with all that its silence means. */
  view(serverCounters: Readonly<Record<string, number>>): StatusView {
    const now_ms = this.#now_ms();
    const silent = now_ms - this.#heard_ms > recorderSilent_ms;
    const troubles = this.troubles.list(this.#status, this.#hello?.anchor ?? null, now_ms);
    if (silent) {
      troubles.unshift({
        since_ms: this.#heard_ms,
        what: 'The recorder does not report: nothing on this page is live.',
        remedy: 'Look at its log; it starts this server again when it is back.',
      });
    }
    return {
      phase: silent ? 'recorder-gone' : this.#phase(),
      tripIn_s: silent ? null : (this.#status?.tripIn_s ?? null),
      lines: this.#status?.lines ?? [],
      counters: { ...this.#status?.counters, ...serverCounters },
      troubles,
      ...(silent || this.#status?.channels === undefined ? {} : { channels: this.#status.channels }),
    };
  }

  /** A pump that runs again, or a fault, is of more weight than the verdict to come. */
  #phase(): StatusView['phase'] {
    const phase = this.#status?.phase ?? 'waiting';
    const isOver = phase === 'waiting' || phase === 'tripped' || phase === 'recording';
    return isOver && this.#analysed.size > 0 ? 'analysing' : phase;
  }
}
