/** Watches the 4-20 mA loops of one group: what state a transmitter is in, and no trip from a broken wire. */
import type { ChannelConfig } from '../../config/rig.ts';
import type { RawBlock } from '../../drivers/driver.ts';
import {
  failureHigh_A,
  failureLow_A,
  type LoopBand,
  loopBand,
  loopStatus,
  type StatusClass,
} from '../instruments/current-loop.ts';
import type { CalibratedBlock } from './calibrate.ts';

/** Limits are met to a nanoampere. */
const slack_A = 0.5e-9;

/** Bands in words, for a person in front of the instrument. */
const words: Record<LoopBand, string> = {
  'failure-low': 'failure signal or broken wire',
  'uncertain-low': 'between measurement and failure signal',
  'under-range': 'below the range',
  measuring: 'measuring',
  'over-range': 'above the range',
  'uncertain-high': 'at the end of the signal',
  'failure-high': 'failure signal',
};

/** One loop. */
export class LoopWatch {
  readonly channel: string;
  private readonly column: number;
  private readonly scale_A: number;
  private readonly offset_A: number;
  private held = Number.NaN;
  private current_A = Number.NaN;
  private end_s = Number.NaN;
  private failingSince_s = Number.NaN;

  constructor(channel: string, column: number, loop: NonNullable<ChannelConfig['currentLoop']>) {
    this.channel = channel;
    this.column = column;
    this.scale_A = loop.scale_A;
    this.offset_A = loop.offset_A;
  }

  /**
   * Follows the current, and puts the last good value in the place of those with a current at or below 3.6 mA. A signal
   * that goes up is left alone: that may be the slam. The values are what only the detection reads from here on.
   */
  take({ raw }: RawBlock, { values, scans, time_s, interval_s }: CalibratedBlock, stride: number): void {
    const { scale_A, offset_A } = this;
    const low_A = failureLow_A + slack_A;
    const high_A = failureHigh_A - slack_A;
    let held = this.held;
    let since_s = this.failingSince_s;
    let current_A = this.current_A;
    for (let i = 0, k = this.column; i < scans; i++, k += stride) {
      current_A = raw[k] * scale_A + offset_A;
      if (current_A > low_A) {
        held = values[k];
        if (current_A < high_A) since_s = Number.NaN;
        else if (Number.isNaN(since_s)) since_s = time_s + i * interval_s;
      } else {
        if (Number.isNaN(since_s)) since_s = time_s + i * interval_s;
        if (!Number.isNaN(held)) values[k] = held;
      }
    }
    this.held = held;
    this.failingSince_s = since_s;
    this.current_A = current_A;
    this.end_s = time_s + scans * interval_s;
  }

  /** Null before the first sample. */
  status(): { readonly class: StatusClass; readonly text: string } | null {
    if (Number.isNaN(this.current_A)) return null;
    const band = loopBand(this.current_A);
    const lasted_s = Number.isNaN(this.failingSince_s) ? 0 : this.end_s - this.failingSince_s;
    return {
      class: loopStatus(band, lasted_s),
      text: `${(this.current_A * 1e3).toFixed(2)} mA: ${words[band]}`,
    };
  }
}

/** The loops among a group's columns; null when there is none, which costs a block one comparison. */
export function loopWatches(channels: readonly ChannelConfig[]): readonly LoopWatch[] | null {
  const watches = channels.flatMap(({ id, currentLoop }, column) =>
    currentLoop === undefined ? [] : [new LoopWatch(id, column, currentLoop)],
  );
  return watches.length === 0 ? null : watches;
}
