/** Quality bits of a 4-20 mA channel in a record, by the bands of NAMUR NE 43 (see current-loop.ts). */
import type { ChannelConfig } from '../../config/rig.ts';
import { quality as bit } from '../../drivers/driver.ts';
import { failureConfirmed_s, isSaturated, loopBand, zero_A } from './current-loop.ts';

/** A calibrated column with the loop it came over. */
export interface LoopColumn {
  readonly quality: Uint8Array;
  readonly time_s: Float64Array;
  readonly value: Float64Array;
  readonly channel: Pick<ChannelConfig, 'scale' | 'offset'>;
  readonly loop: NonNullable<ChannelConfig['currentLoop']>;
}

/**
 * A copy of the bits with those of the current added. At or below 3.6 mA `invalid`, up to 3.8 mA `suspect`. At the upper
 * end `clipped`: in a slam a healthy transmitter stops there, and the peak is a lower bound. Only a failure signal that
 * stands for 4 s, or over the whole record, is `invalid`.
 */
export function withLoopQuality({ quality, time_s, value, channel, loop }: LoopColumn): Uint8Array {
  const bits = quality.slice();
  const currentAt = (k: number) =>
    ((value[k] - channel.offset) / channel.scale) * loop.scale_A + loop.offset_A;
  let start = -1;
  for (let k = 0; k <= bits.length; k++) {
    const current_A = k < bits.length ? currentAt(k) : zero_A;
    // A register that held no number says nothing of the loop; it is marked where it was read.
    const band = Number.isNaN(current_A) ? 'measuring' : loopBand(current_A);
    if (band === 'failure-low') bits[k] |= bit.invalid;
    else if (band === 'uncertain-low') bits[k] |= bit.suspect;
    else if (current_A > zero_A && isSaturated(current_A)) bits[k] |= bit.clipped;
    if (band === 'failure-high') {
      if (start < 0) start = k;
    } else if (start >= 0) {
      const isWhole = start === 0 && k === bits.length;
      if (isWhole || time_s[k - 1] - time_s[start] >= failureConfirmed_s) {
        for (let j = start; j < k; j++) bits[j] = (bits[j] & ~bit.clipped) | bit.invalid;
      }
      start = -1;
    }
  }
  return bits;
}
