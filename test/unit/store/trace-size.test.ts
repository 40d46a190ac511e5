import { expect, test } from 'vitest';
import { encodeTrace } from '../../../daemon/store/trace.ts';
import type { RawBlock } from '../../../drivers/driver.ts';

/** Normal numbers by Box and Muller (1958) from a small congruential generator. */
function normals(seed: number): () => number {
  let state = seed;
  const uniform = () => {
    state = (Math.imul(state, 1664525) + 1013904223) >>> 0;
    return (state + 0.5) / 2 ** 32;
  };
  return () => Math.sqrt(-2 * Math.log(uniform())) * Math.cos(2 * Math.PI * uniform());
}

test('10 s of 4 channels at 5 kHz with 4 LSB noise take at most 0.9 byte a sample, all in', async () => {
  const normal = normals(7);
  const blocks: RawBlock[] = [];
  let time_s = 100;
  for (let scan = 0; scan < 50_000; scan += 25) {
    const raw = new Int32Array(100);
    for (let i = 0; i < 25; i++) {
      for (let c = 0; c < 4; c++) {
        const t_s = (scan + i) / 5000;
        const ripple = 200 * Math.sin(2 * Math.PI * 25 * t_s + c);
        raw[i * 4 + c] = Math.round(8000 + ripple + 4 * normal());
      }
    }
    // A disciplined clock moves by parts in a million from block to block.
    const interval_s = 200e-6 * (1 + 2e-6 * normal());
    blocks.push({
      group: 0,
      scan,
      scans: 25,
      time_s,
      interval_s,
      halfWidth_s: 1e-4,
      raw,
      quality: new Uint8Array(25),
      lostBefore: 0,
    });
    time_s += 25 * interval_s + 50e-9 * normal();
  }
  const channels = ['a', 'b', 'c', 'd'];
  const groups = [{ line: 'l', id: 'g', channels, encoding: 'i32' as const, nominalInterval_s: 200e-6 }];
  let size = 0;
  for await (const piece of encodeTrace(
    { format: 'tripwave-trace', version: 1, groups, channels: [] },
    blocks,
  )) {
    size += piece.length;
  }
  expect(size / 200_000).toBeLessThanOrEqual(0.9);
  // Below the entropy of the noise itself, log2(4 sqrt(2 pi e)) = 4.05 bits, something would be missing (Shannon 1948).
  expect(size / 200_000).toBeGreaterThan(4.05 / 8);
});
