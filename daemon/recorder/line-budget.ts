/** What a line can carry, is asked for, and brings: a figure for each, over the last seconds. */
import { type Driver, type RawBlock, summedRate_Hz } from '../../drivers/driver.ts';
import type { LineBudget } from './messages.ts';

/** Span of the live figures, in s, and how often a mark is set. */
const window_s = 10;
const mark_s = 1;

interface Mark {
  readonly at_s: number;
  readonly taken: number;
  readonly lost: number;
}

export class BudgetWatch {
  private readonly widths: readonly number[];
  private readonly asked_Hz: number;
  private readonly share_ratio: number | null;
  private taken = 0;
  private lost = 0;
  /** Oldest first; the first one is the newest that is at least `window_s` old, or the very first. */
  private marks: Mark[] = [];

  /** `share_ratio`: of the wire's time that the plan takes (`LineLoad`); null where that is not known. */
  constructor(groups: Driver['groups'], share_ratio: number | null) {
    this.widths = groups.map(({ channels }) => channels.length);
    this.asked_Hz = summedRate_Hz(groups);
    this.share_ratio = share_ratio;
  }

  take({ group, scans, lostBefore }: RawBlock): void {
    const width = this.widths[group];
    this.taken += scans * width;
    this.lost += lostBefore * width;
  }

  /** To be called at least every `mark_s`; what is between two calls is spread evenly. */
  read(now_s: number): LineBudget {
    const { taken, lost, marks } = this;
    const newest = marks.at(-1);
    if (newest === undefined || now_s - newest.at_s >= mark_s) marks.push({ at_s: now_s, taken, lost });
    while (marks.length > 1 && now_s - marks[1]!.at_s >= window_s) marks.shift();
    const { at_s, ...before } = marks[0]!;
    const span_s = now_s - at_s;
    return {
      carried_Hz: this.share_ratio === null ? null : this.asked_Hz / this.share_ratio,
      asked_Hz: this.asked_Hz,
      reached_Hz: span_s >= mark_s ? (taken - before.taken) / span_s : null,
      samplesLost: lost - before.lost,
      span_s,
    };
  }
}
