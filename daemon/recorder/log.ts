/** Where the recorder says what happened; a pino logger fits. Messages are a noun and a past verb: `event closed`. */
export interface Log {
  info(details: object, message: string): void;
  warn(details: object, message: string): void;
  error(details: object, message: string): void;
}

/** Shortest time between two equal messages, in s. */
const period_s = 10;

/** One line per reason and period: a disk that is full for a night must not fill the log as well. */
export class QuietLog {
  private readonly log: Log;
  private readonly now_s: () => number;
  private readonly said = new Map<string, number>();

  constructor(log: Log, now_s: () => number) {
    this.log = log;
    this.now_s = now_s;
  }

  /** Logs a warning unless the same message was logged within the period. Counters count every case. */
  warn(details: object, message: string): void {
    const now_s = this.now_s();
    const last_s = this.said.get(message);
    if (last_s !== undefined && now_s - last_s < period_s) return;
    this.said.set(message, now_s);
    this.log.warn(details, message);
  }
}
