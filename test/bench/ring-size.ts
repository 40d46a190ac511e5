/** Bytes a sample takes in the disk ring, all in, beside the entropy of the differences. */
import { mkdtempSync, readdirSync, rmSync, statSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import type { RawBlock } from '../../drivers/driver.ts';
import { normalNumbers } from '../support/recorder-rig.ts';
import { testRing } from '../support/ring-blocks.ts';
import type { BenchRow } from './row.ts';

const channels = ['a', 'b', 'c', 'd'];

/** A converter sends 20 ms at once; at 100 Hz a poll brings one scan, with an instant of its own. */
const cases = [
  { rate_Hz: 100, scans: 1, encoding: 'f64', length_s: 600 },
  { rate_Hz: 100, scans: 2, encoding: 'i32', length_s: 600 },
  { rate_Hz: 1000, scans: 20, encoding: 'i32', length_s: 120 },
  { rate_Hz: 5000, scans: 100, encoding: 'i32', length_s: 30 },
] as const;

/** One row for each rate and noise. */
export async function bench(report: (row: BenchRow) => void): Promise<void> {
  for (const each of cases) {
    for (const noise of [1, 4, 16]) {
      const { bytes, entropy_bits } = await run(each, noise);
      const limit = Math.max(noise === 4 ? 0.9 : 0, (entropy_bits / 8) * 1.1);
      report({
        name: `disk ring, 4 channels x ${each.rate_Hz} Hz, ${noise} LSB, ${each.scans === 1 ? 'polled' : 'streamed'}`,
        figure: Math.round(bytes * 1000) / 1000,
        unit: 'byte/sample',
        target: `<= ${limit.toFixed(3)}`,
        meets: bytes <= limit,
        note: `entropy of the differences ${(entropy_bits / 8).toFixed(3)} byte; heads, times and quality included, ${each.length_s} s`,
      });
    }
  }
}

async function run(
  { rate_Hz, scans, encoding, length_s }: (typeof cases)[number],
  noise: number,
): Promise<{ bytes: number; entropy_bits: number }> {
  const folder = mkdtempSync(join(tmpdir(), 'ring-size-'));
  const normal = normalNumbers(11);
  const groups = [{ line: 'l', id: 'g', channels, encoding, nominalInterval_s: 1 / rate_Hz }];
  const { ring, pass, now_s } = testRing(folder, { groups });
  const counts = new Map<number, number>();
  const last = [0, 0, 0, 0];
  let samples = 0;
  const begin_s = now_s();
  let time_s = begin_s;
  try {
    for (let scan = 0; scan < rate_Hz * length_s; scan += scans) {
      const raw = encoding === 'i32' ? new Int32Array(scans * 4) : new Float64Array(scans * 4);
      for (let k = 0; k < raw.length; k++) {
        raw[k] = Math.round(8000 + noise * normal());
        const difference = raw[k]! - last[k % 4]!;
        last[k % 4] = raw[k]!;
        counts.set(difference, (counts.get(difference) ?? 0) + 1);
      }
      samples += raw.length;
      const isPolled = scans === 1;
      const interval_s = (1 + (isPolled ? 0 : 2e-6 * normal())) / rate_Hz;
      const block: RawBlock = {
        group: 0,
        scan,
        scans,
        // Polls are late by some 50 us, no two alike.
        time_s: isPolled ? begin_s + scan / rate_Hz + 50e-6 * Math.abs(normal()) : time_s,
        interval_s,
        halfWidth_s: isPolled ? 1e-3 + 20e-6 * Math.abs(normal()) : 1e-4,
        raw,
        quality: new Uint8Array(scans),
        lostBefore: 0,
      };
      ring.add(0, block);
      time_s += scans * interval_s;
      if (time_s > now_s() + 0.7 || (isPolled && begin_s + scan / rate_Hz > now_s() + 0.7)) await pass(0.7);
    }
    await ring.finish();
    const files = readdirSync(join(folder, 'ring')).map((name) => statSync(join(folder, 'ring', name)).size);
    const total = [...counts.values()].reduce((sum, count) => sum + count, 0);
    let entropy_bits = 0;
    for (const count of counts.values()) entropy_bits -= (count / total) * Math.log2(count / total);
    return { bytes: files.reduce((sum, size) => sum + size, 0) / samples, entropy_bits };
  } finally {
    rmSync(folder, { recursive: true, force: true });
  }
}
