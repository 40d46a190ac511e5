/** How whole a group is over a window. */
import type { RawBlock } from '../../drivers/driver.ts';

/** A hole is longer than so many spacings of its group. */
const hole_intervals = 2.5;
/** Holes that are named, at most, per group. */
const mostHoles = 50;

/** Scans in the window, and how many are missing: between blocks, and at both ends. */
export function completenessOf(
  blocks: readonly RawBlock[],
  window: { readonly from_s: number; readonly to_s: number },
  interval_s: number,
): { scans: number; scansLost: number } {
  let scans = 0;
  let lost = 0;
  let end_s = window.from_s;
  for (const block of blocks) {
    const gap = Math.round((block.time_s - end_s) / interval_s);
    // A gap that the driver did not count still is one; one interval more or less is not.
    lost += Math.max(block.lostBefore, gap > 1 ? gap : 0);
    scans += block.scans;
    end_s = block.time_s + block.scans * (block.scans > 1 ? block.interval_s : interval_s);
  }
  const tail = Math.floor((window.to_s - end_s) / interval_s);
  return { scans, scansLost: lost + Math.max(0, tail > 1 ? tail : 0) };
}

/** Where samples of a group are missing between two instants, in s on the clock of the blocks; the first 50. */
export function holes(
  blocks: readonly RawBlock[],
  from_s: number,
  to_s: number,
  interval_s: number,
): { from_s: number; to_s: number }[] {
  const found: { from_s: number; to_s: number }[] = [];
  let end_s = from_s;
  for (const block of blocks) {
    if (block.time_s - end_s > hole_intervals * interval_s) found.push({ from_s: end_s, to_s: block.time_s });
    end_s = block.time_s + block.scans * (block.scans > 1 ? block.interval_s : interval_s);
  }
  if (to_s - end_s > hole_intervals * interval_s) found.push({ from_s: end_s, to_s });
  return found.slice(0, mostHoles);
}
