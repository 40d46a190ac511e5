/** A part of a block, for a record that begins or ends inside it. */
import type { RawBlock } from '../../drivers/driver.ts';

/** The scans of a block with `from_s <= instant < to_s`; null when there are none. */
export function cutBlock(block: RawBlock, from_s: number, to_s: number): RawBlock | null {
  const { scans, time_s, interval_s, raw, quality } = block;
  let first = 0;
  while (first < scans && time_s + first * interval_s < from_s) first++;
  let end = scans;
  while (end > first && time_s + (end - 1) * interval_s >= to_s) end--;
  if (end === first) return null;
  if (first === 0 && end === scans) return block;
  const channels = raw.length / scans;
  return {
    ...block,
    scan: block.scan + first,
    scans: end - first,
    time_s: time_s + first * interval_s,
    raw: raw.slice(first * channels, end * channels),
    quality: quality.slice(first, end),
    lostBefore: first > 0 ? 0 : block.lostBefore,
  };
}
