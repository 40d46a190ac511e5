/** Where an event lacks scans: what the recorder writes beside each group. */
import { describe, expect, test } from 'vitest';
import { completenessOf, holes } from '../../../daemon/store/completeness.ts';
import type { RawBlock } from '../../../drivers/driver.ts';

const block = (time_s: number, scans: number, lostBefore = 0): RawBlock => ({
  group: 0,
  scan: Math.round(time_s * 100),
  scans,
  time_s,
  interval_s: 0.01,
  halfWidth_s: 0,
  raw: new Int32Array(scans),
  quality: new Uint8Array(scans),
  lostBefore,
});

describe('holes of a group', () => {
  test('blocks that follow one another have none', () => {
    expect(holes([block(0, 50), block(0.5, 50)], 0, 1, 0.01)).toEqual([]);
  });

  test('a line that dropped replies: between the blocks, and the scans are counted', () => {
    const blocks = [block(0, 50), block(0.544, 45, 4)];
    expect(holes(blocks, 0, 1, 0.01)).toEqual([{ from_s: 0.5, to_s: 0.544 }]);
    expect(completenessOf(blocks, { from_s: 0, to_s: 1 }, 0.01).scansLost).toBe(4);
  });

  test('a stream that ends in mid-event: up to the end of the window', () => {
    expect(holes([block(0, 30)], 0, 1, 0.01)).toEqual([{ from_s: 0.3, to_s: 1 }]);
  });
});
