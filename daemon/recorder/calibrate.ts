/** Raw numbers to SI: value = raw * scale + offset, per channel. */
import type { ChannelConfig } from '../../config/rig.ts';
import type { GroupSpec, RawBlock } from '../../drivers/driver.ts';

/** A block in SI, as detection, summaries and loop watches take it; valid until the next block of the same group. */
export interface CalibratedBlock {
  /** Scan by scan like `RawBlock.raw`; the first `scans * channels` numbers belong to the block. */
  readonly values: Float64Array;
  readonly scans: number;
  readonly time_s: number;
  readonly interval_s: number;
  /** Bits of each scan. */
  readonly quality: Uint8Array;
}

/** Calibrated numbers of one block, scan by scan like `RawBlock.raw`; valid until the next block of the same group. */
export class Calibrator {
  /** The first `scans * channels` numbers belong to the last block. */
  values: Float64Array;
  private readonly nominalInterval_s: number;
  private readonly scale: Float64Array;
  private readonly offset: Float64Array;

  /** `channels` in the order of the group's columns. */
  constructor(spec: GroupSpec, channels: readonly ChannelConfig[]) {
    this.nominalInterval_s = spec.nominalInterval_s;
    this.scale = Float64Array.from(channels, (channel) => channel.scale);
    this.offset = Float64Array.from(channels, (channel) => channel.offset);
    this.values = new Float64Array(256 * spec.channels.length);
  }

  /** Other factors from the next block on; same columns. */
  renew(channels: readonly ChannelConfig[]): void {
    channels.forEach(({ scale, offset }, column) => {
      this.scale[column] = scale;
      this.offset[column] = offset;
    });
  }

  /** Fills `values`. With one scan the spacing means nothing; the group's own keeps the arithmetic finite. */
  calibrate(block: RawBlock): CalibratedBlock {
    const stride = this.scale.length;
    const total = block.scans * stride;
    if (total > this.values.length) this.values = new Float64Array(total * 2);
    if (block.raw instanceof Int32Array)
      convertCounts(block.raw, this.values, total, this.scale, this.offset);
    else convertFloats(block.raw, this.values, total, this.scale, this.offset);
    const { scans, time_s, quality } = block;
    const interval_s = scans > 1 ? block.interval_s : this.nominalInterval_s;
    return { values: this.values, scans, time_s, interval_s, quality };
  }
}

// Two copies of one loop: with both array types in one function the engine gives up its fast path (3 times slower).
function convertCounts(
  raw: Int32Array,
  into: Float64Array,
  total: number,
  scale: Float64Array,
  offset: Float64Array,
) {
  const stride = scale.length;
  for (let column = 0; column < stride; column++) {
    const factor = scale[column];
    const shift = offset[column];
    for (let k = column; k < total; k += stride) into[k] = raw[k] * factor + shift;
  }
}

function convertFloats(
  raw: Float64Array,
  into: Float64Array,
  total: number,
  scale: Float64Array,
  offset: Float64Array,
) {
  const stride = scale.length;
  for (let column = 0; column < stride; column++) {
    const factor = scale[column];
    const shift = offset[column];
    for (let k = column; k < total; k += stride) into[k] = raw[k] * factor + shift;
  }
}
