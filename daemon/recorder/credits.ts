/** The live lane: lossy, counted, and never more than a few messages in the channel to the server. */
import type { StatusMessage, Summary, ToServer } from './messages.ts';
import { type PeriodSummary, summaryPeriod_s } from './summary.ts';

/** Live messages that the server may owe an answer for. */
const mostOutstanding = 4;

export class LiveLane {
  readonly counters = { summariesSent: 0, summariesDropped: 0, statusesReplaced: 0 };
  private readonly send: (message: ToServer) => boolean;
  private outstanding = 0;
  private sequence = 0;
  private droppedBefore = 0;
  private status: StatusMessage | null = null;

  /** `send` returns false when there is no server; then nothing is outstanding and everything is dropped. */
  constructor(send: (message: ToServer) => boolean) {
    this.send = send;
  }

  /** True when the server has answered nothing for as long as it was allowed to be silent. */
  get isFull(): boolean {
    return this.outstanding >= mostOutstanding;
  }

  summary({ time_s, values, counts, flags }: PeriodSummary): void {
    const { droppedBefore } = this;
    const message: Summary = {
      kind: 'summary',
      sequence: this.sequence,
      time_s,
      period_s: summaryPeriod_s,
      values,
      counts,
      flags,
      droppedBefore,
    };
    this.sequence++;
    if (this.trySend(message)) {
      this.counters.summariesSent++;
      this.droppedBefore = 0;
    } else {
      this.counters.summariesDropped++;
      this.droppedBefore++;
    }
  }

  /** Only the newest status matters: one that finds no credit waits, and a newer one takes its place. */
  latest(status: StatusMessage): void {
    if (this.status !== null) this.counters.statusesReplaced++;
    this.status = status;
    this.flush();
  }

  /** The server has handled so many. */
  credit(count: number): void {
    this.outstanding = Math.max(0, this.outstanding - count);
    this.flush();
  }

  /** A new server owes nothing. */
  restart(): void {
    this.outstanding = 0;
    this.flush();
  }

  private flush(): void {
    if (this.status === null || !this.trySend(this.status)) return;
    this.status = null;
  }

  private trySend(message: ToServer): boolean {
    if (this.isFull || !this.send(message)) return false;
    this.outstanding++;
    return true;
  }
}
