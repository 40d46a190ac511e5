/**
 * One-second rollups of all channels, made from the recorder's summaries. Pure.
 *
 * Seconds are those of the wall clock, so that the series of many stations share their grid; a summary belongs whole to the
 * second in which its middle lies. A clock set back makes the same second twice, one after the other; a clock set forward
 * leaves a gap. A summary that never came (no credit, a restart) is missing in `count`.
 */
import type { ChannelConfig } from '../../config/rig.ts';
import { quality } from '../../drivers/driver.ts';
import type { ChannelRollup, WorstFlag } from './messages.ts';

/** What is added: as in `Summary` of the recorder's messages. */
export interface SummaryPart {
  /** min, max, last, mean per channel. */
  readonly values: Float64Array;
  readonly counts: Uint32Array;
  readonly flags: Uint8Array;
}

/** A finished second. */
export interface SecondRollup {
  /** Its start, a whole second, in ms since 1970. */
  readonly at_ms: number;
  /** Channels of which anything came, in the order of the configuration. */
  readonly channels: readonly ChannelRollup[];
}

/** Significant digits kept: a 24-bit converter has 7.2, and the text of a double would be twice as long. */
const digits = 9;

type Channel = Pick<ChannelConfig, 'id' | 'quantity'>;

/** Numbers kept per channel: min, max, last, sum, count, quality bits. */
const fields = 6;

export class SecondRollups {
  readonly #channels: readonly Channel[];
  readonly #slots: Float64Array;
  readonly #onSecond: (second: SecondRollup) => void;
  /** The second that is open, in s since 1970; NaN when none is. */
  #second = Number.NaN;

  /** `channels` in the order of the summaries. */
  constructor(channels: readonly Channel[], onSecond: (second: SecondRollup) => void) {
    this.#channels = channels;
    this.#onSecond = onSecond;
    this.#slots = new Float64Array(channels.length * fields);
    this.#clear();
  }

  /** Adds a summary whose middle was at `middle_ms` of the wall clock; finishes the open second when that is another one. */
  add(middle_ms: number, { values, counts, flags }: SummaryPart): void {
    const second = Math.floor(middle_ms / 1000);
    if (second !== this.#second) {
      this.flush();
      this.#second = second;
    }
    const slots = this.#slots;
    for (let channel = 0; channel < counts.length; channel++) {
      const at = channel * fields;
      slots[at + 5] |= flags[channel];
      const count = counts[channel];
      if (count === 0) continue;
      const from = channel * 4;
      slots[at] = Math.min(slots[at], values[from]);
      slots[at + 1] = Math.max(slots[at + 1], values[from + 1]);
      slots[at + 2] = values[from + 2];
      slots[at + 3] += values[from + 3] * count;
      slots[at + 4] += count;
    }
  }

  /** Finishes the open second, for a time when nothing more may come. A second in which nothing came is not told. */
  flush(): void {
    if (Number.isNaN(this.#second)) return;
    const rollups = this.#channels.flatMap((channel, k) => rollupOf(channel, this.#slots, k * fields));
    const at_ms = this.#second * 1000;
    this.#second = Number.NaN;
    this.#clear();
    if (rollups.length > 0) this.#onSecond({ at_ms, channels: rollups });
  }

  #clear(): void {
    this.#slots.fill(0);
    for (let at = 0; at < this.#slots.length; at += fields) {
      this.#slots[at] = Number.POSITIVE_INFINITY;
      this.#slots[at + 1] = Number.NEGATIVE_INFINITY;
    }
  }
}

function rollupOf(
  { id: channel, quantity }: Channel,
  slots: Float64Array,
  at: number,
): readonly ChannelRollup[] {
  const count = slots[at + 4];
  const worst = worstOf(slots[at + 5]);
  if (count === 0) {
    if (worst === 'good') return [];
    return [{ channel, quantity, min: null, max: null, mean: null, last: null, count, worst }];
  }
  return [
    {
      channel,
      quantity,
      min: round(slots[at]),
      max: round(slots[at + 1]),
      mean: round(slots[at + 3] / count),
      last: round(slots[at + 2]),
      count,
      worst,
    },
  ];
}

/** The gravest of some bits of `quality`. */
export function worstOf(bits: number): WorstFlag {
  if ((bits & quality.invalid) !== 0) return 'invalid';
  if ((bits & quality.clipped) !== 0) return 'clipped';
  return (bits & quality.suspect) !== 0 ? 'suspect' : 'good';
}

function round(value: number): number {
  return Number(value.toPrecision(digits));
}
