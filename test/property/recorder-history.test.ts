import fc from 'fast-check';
import { expect, test } from 'vitest';
import { HistoryRing } from '../../daemon/recorder/history.ts';
import type { GroupSpec, RawBlock } from '../../drivers/driver.ts';

const interval_s = 1 / 64;
const history_s = 4;

interface Scan {
  readonly scan: number;
  readonly time_s: number;
  readonly numbers: readonly number[];
  readonly bits: number;
}

/** Every scan on its own: what the ring must agree with. */
function scansOf(blocks: readonly RawBlock[], stride: number): Scan[] {
  return blocks.flatMap((block) =>
    Array.from({ length: block.scans }, (_, i) => ({
      scan: block.scan + i,
      time_s: block.time_s + i * block.interval_s,
      numbers: [...block.raw.subarray(i * stride, (i + 1) * stride)],
      bits: block.quality[i],
    })),
  );
}

const blockSizes = fc.array(
  fc.record({
    scans: fc.oneof(fc.integer({ min: 1, max: 40 }), fc.constant(1), fc.integer({ min: 300, max: 700 })),
    lost: fc.oneof({ weight: 4, arbitrary: fc.constant(0) }, fc.integer({ min: 1, max: 100 })),
  }),
  { minLength: 1, maxLength: 60 },
);

function blocksFrom(sizes: readonly { scans: number; lost: number }[], spec: GroupSpec): RawBlock[] {
  const stride = spec.channels.length;
  let scan = 0;
  return sizes.map(({ scans, lost }) => {
    const first = scan + lost;
    scan = first + scans;
    const length = scans * stride;
    const number = (_: unknown, k: number) => first * 1000 + k;
    return {
      group: 0,
      scan: first,
      scans,
      time_s: 10 + first * interval_s,
      interval_s,
      halfWidth_s: 0.001,
      raw:
        spec.encoding === 'i32' ? Int32Array.from({ length }, number) : Float64Array.from({ length }, number),
      quality: Uint8Array.from({ length: scans }, (_, k) => (first + k) % 8),
      lostBefore: lost,
    };
  });
}

test('the history is a plain array that forgets its oldest scans, and nothing younger than it promised', () => {
  fc.assert(
    fc.property(
      blockSizes,
      fc.constantFrom('i32' as const, 'f64' as const),
      fc.integer({ min: 1, max: 3 }),
      fc.double({ min: 0, max: 1, noNaN: true }),
      fc.double({ min: 0, max: 1, noNaN: true }),
      (sizes, encoding, stride, a, b) => {
        const channels = ['p', 'q', 'r'].slice(0, stride);
        const spec: GroupSpec = { id: 'g', channels, encoding, nominalInterval_s: interval_s };
        const ring = new HistoryRing(spec, history_s);
        const blocks = blocksFrom(sizes, spec);
        for (const block of blocks) ring.append(block);
        const all = scansOf(blocks, stride);
        const end_s = ring.end_s;
        expect(end_s).toBe(all[all.length - 1].time_s + interval_s);
        const start_s = Math.max(ring.start_s, all[0].time_s);
        const from_s = start_s + Math.min(a, b) * (end_s - start_s);
        const to_s = start_s + Math.max(a, b) * (end_s - start_s);
        const found = ring.extract(from_s, to_s, 7);
        const wanted = all.filter((scan) => scan.time_s >= from_s && scan.time_s < to_s);
        expect(scansOf(found, stride)).toStrictEqual(wanted);
        expect(found.every((block) => block.group === 7)).toBe(true);
        // Kept: as many scans as fit the promised time, unless whole blocks had to go for a large one.
        const largest = Math.max(...sizes.map((size) => size.scans));
        const kept = all.filter((scan) => scan.time_s >= ring.start_s).length;
        expect(kept).toBeGreaterThanOrEqual(Math.min(all.length, history_s / interval_s - largest));
      },
    ),
    { numRuns: 500 },
  );
});

test('gaps stay exact: scan numbers and counted losses inside the window, none from before it', () => {
  fc.assert(
    fc.property(blockSizes, fc.double({ min: 0, max: 1, noNaN: true }), (sizes, share) => {
      const spec: GroupSpec = { id: 'g', channels: ['p'], encoding: 'i32', nominalInterval_s: interval_s };
      const ring = new HistoryRing(spec, 1000);
      const blocks = blocksFrom(sizes, spec);
      for (const block of blocks) ring.append(block);
      const from_s = 10 + share * (ring.end_s - 10);
      const found = ring.extract(from_s, Number.POSITIVE_INFINITY, 0);
      const lost = found.reduce((sum, block) => sum + block.lostBefore, 0);
      const present = found.reduce((sum, block) => sum + block.scans, 0);
      // Scan k was or would have been taken at 10 + k / 64: count those that belong to the window.
      const first = Math.ceil((from_s - 10) / interval_s);
      const end = blocks[blocks.length - 1].scan + blocks[blocks.length - 1].scans;
      expect(present + lost).toBe(Math.max(0, end - first));
    }),
    { numRuns: 500 },
  );
});
