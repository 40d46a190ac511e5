/** Times of a block as the ring keeps them: no finer than they are known. */
import type { RawBlock } from '../../drivers/driver.ts';

/** Share of a block's half-width that its instants may move by at most. */
export const ringTimeShare = 1 / 16;

/**
 * Rounds instant, spacing and half-width to steps of a power of two, so fine that no scan moves by more than
 * `ringTimeShare` of the half-width, which grows by as
 * much, so that it still holds surely. Jitter below what a clock is known to is most of what
 * single-scan blocks would cost. Numbers, quality and losses are the block's own.
 */
export function coarsened(block: RawBlock): RawBlock {
  const { scans, time_s, interval_s, halfWidth_s } = block;
  // Half a step is the largest error; instant and spacing share what is allowed.
  const step_s = powerOfTwo(halfWidth_s * ringTimeShare);
  if (!(step_s > 1e-9)) return block;
  const spacing_s = powerOfTwo((halfWidth_s * ringTimeShare) / scans);
  return {
    ...block,
    time_s: Math.round(time_s / step_s) * step_s,
    interval_s:
      spacing_s > 1e-12 ? Math.max(spacing_s, Math.round(interval_s / spacing_s) * spacing_s) : interval_s,
    halfWidth_s: Math.ceil(halfWidth_s / step_s + 1) * step_s,
  };
}

/** The largest power of two that is not above a positive number. */
function powerOfTwo(value: number): number {
  return 2 ** Math.floor(Math.log2(value));
}
