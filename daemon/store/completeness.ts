/** How whole a group is over a window. */
import type { RawBlock } from '../../drivers/driver.ts';

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
