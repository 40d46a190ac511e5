/** The last seconds of one group, raw, in memory that is taken once. The newest blocks push out the oldest. */
import type { WindowConfig } from '../../config/rig.ts';
import type { GroupSpec, RawBlock } from '../../drivers/driver.ts';

/** History beyond the longest window: grace for late lines and for the decision itself, in s. */
const margin_s = 5;
/** Spare room over the wanted time: a device may run faster than it says. */
const spare_ratio = 1.2;
/** A group with scans closer than this comes in blocks of several scans. */
const fast_s = 0.002;

/** Columns of one kept block. */
const field = {
  scan: 0,
  scans: 1,
  time_s: 2,
  interval_s: 3,
  halfWidth_s: 4,
  lostBefore: 5,
  count: 6,
} as const;

/** Length of the history, in s, so that the longest event is still there when its latest channel, `latest_s` late, has ended it. */
export function neededHistory_s(windows: WindowConfig, latest_s: number): number {
  const { before_s, withoutSeating_s, afterSeating_s, history_s } = windows;
  return Math.max(history_s, before_s + withoutSeating_s + afterSeating_s + latest_s + margin_s);
}

export class HistoryRing {
  private readonly stride: number;
  private readonly raw: Int32Array | Float64Array;
  private readonly quality: Uint8Array;
  private readonly blocks: Float64Array;
  private readonly scanRoom: number;
  private readonly blockRoom: number;
  /** Ever-growing positions; the place in the ring is the remainder. */
  private firstBlock = 0;
  private nextBlock = 0;
  private firstScan = 0;
  private nextScan = 0;

  /** Keeps at least `history_s` of a group that is as fast as it says. */
  constructor(spec: GroupSpec, history_s: number) {
    this.stride = spec.channels.length;
    this.scanRoom = Math.max(64, Math.ceil((history_s * spare_ratio) / spec.nominalInterval_s));
    // Fast groups may still deliver a block of one scan now and then, for example after a gap.
    this.blockRoom = Math.max(64, spec.nominalInterval_s < fast_s ? this.scanRoom >> 2 : this.scanRoom);
    const numbers = this.scanRoom * this.stride;
    this.raw = spec.encoding === 'i32' ? new Int32Array(numbers) : new Float64Array(numbers);
    this.quality = new Uint8Array(this.scanRoom);
    this.blocks = new Float64Array(this.blockRoom * field.count);
  }

  /** End of the newest block: the instant at which its next scan is due, in s; -Infinity before the first block. */
  get end_s(): number {
    if (this.nextBlock === 0) return Number.NEGATIVE_INFINITY;
    const at = ((this.nextBlock - 1) % this.blockRoom) * field.count;
    const { blocks } = this;
    return blocks[at + field.time_s] + blocks[at + field.scans] * blocks[at + field.interval_s];
  }

  /** Instant of the oldest scan kept, in s; Infinity before the first block. */
  get start_s(): number {
    if (this.nextBlock === 0) return Number.POSITIVE_INFINITY;
    return this.blocks[(this.firstBlock % this.blockRoom) * field.count + field.time_s];
  }

  /** Copies a block in. A block longer than the whole ring leaves its newest scans only. */
  append(block: RawBlock): void {
    const skip = Math.max(0, block.scans - this.scanRoom);
    const scans = block.scans - skip;
    if (scans <= 0) return;
    this.makeRoom(scans);
    const at = (this.nextBlock % this.blockRoom) * field.count;
    const { blocks } = this;
    blocks[at + field.scan] = block.scan + skip;
    blocks[at + field.scans] = scans;
    blocks[at + field.time_s] = block.time_s + skip * block.interval_s;
    blocks[at + field.interval_s] = block.interval_s;
    blocks[at + field.halfWidth_s] = block.halfWidth_s;
    blocks[at + field.lostBefore] = skip > 0 ? 0 : block.lostBefore;
    this.store(block, skip, scans);
    this.nextBlock++;
    this.nextScan += scans;
  }

  /**
   * Copies of all scans with `from_s <= instant < to_s`, oldest first, in the blocks they came in, cut at the ends.
   * The first block's `lostBefore` counts only what is missing inside the window. `group` is written into each.
   */
  extract(from_s: number, to_s: number, group: number): RawBlock[] {
    const found: RawBlock[] = [];
    for (let k = this.firstBlock, position = this.firstScan; k < this.nextBlock; k++) {
      const at = (k % this.blockRoom) * field.count;
      const scans = this.blocks[at + field.scans];
      const block = this.cut(at, position, from_s, to_s, group);
      if (block !== null) found.push(block);
      position += scans;
    }
    return found;
  }

  private makeRoom(scans: number): void {
    while (
      this.nextBlock > this.firstBlock &&
      (this.nextScan + scans - this.firstScan > this.scanRoom ||
        this.nextBlock - this.firstBlock >= this.blockRoom)
    ) {
      this.firstScan += this.blocks[(this.firstBlock % this.blockRoom) * field.count + field.scans];
      this.firstBlock++;
    }
  }

  private store(block: RawBlock, skip: number, scans: number): void {
    const { stride, scanRoom } = this;
    const begin = this.nextScan % scanRoom;
    const head = Math.min(scans, scanRoom - begin);
    if (skip === 0 && head === scans) {
      this.raw.set(block.raw, begin * stride);
      this.quality.set(block.quality, begin);
      return;
    }
    this.raw.set(block.raw.subarray(skip * stride, (skip + head) * stride), begin * stride);
    this.quality.set(block.quality.subarray(skip, skip + head), begin);
    this.raw.set(block.raw.subarray((skip + head) * stride, (skip + scans) * stride), 0);
    this.quality.set(block.quality.subarray(skip + head, skip + scans), 0);
  }

  private cut(at: number, position: number, from_s: number, to_s: number, group: number): RawBlock | null {
    const { blocks, stride, scanRoom } = this;
    const scans = blocks[at + field.scans];
    const time_s = blocks[at + field.time_s];
    const interval_s = blocks[at + field.interval_s];
    let first = 0;
    while (first < scans && time_s + first * interval_s < from_s) first++;
    let end = scans;
    while (end > first && time_s + (end - 1) * interval_s >= to_s) end--;
    if (end === first) return null;
    const count = end - first;
    const raw = new (this.raw.constructor as Int32ArrayConstructor | Float64ArrayConstructor)(count * stride);
    const quality = new Uint8Array(count);
    const begin = (position + first) % scanRoom;
    const head = Math.min(count, scanRoom - begin);
    raw.set(this.raw.subarray(begin * stride, (begin + head) * stride));
    raw.set(this.raw.subarray(0, (count - head) * stride), head * stride);
    quality.set(this.quality.subarray(begin, begin + head));
    quality.set(this.quality.subarray(0, count - head), head);
    // Scans lost before the window began are not missing from it.
    const room = interval_s > 0 ? Math.max(0, Math.floor((time_s - from_s) / interval_s)) : 0;
    return {
      group,
      scan: blocks[at + field.scan] + first,
      scans: count,
      time_s: time_s + first * interval_s,
      interval_s,
      halfWidth_s: blocks[at + field.halfWidth_s],
      lostBefore: first > 0 ? 0 : Math.min(blocks[at + field.lostBefore], room),
      raw,
      quality,
    };
  }
}
