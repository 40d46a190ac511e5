import { describe, expect, it } from 'vitest';
import { type PeriodSummary, Summariser } from '../../../daemon/recorder/summary.ts';
import { quality } from '../../../drivers/driver.ts';

/** Ten scans of two channels in the first period, then one that completes it. */
function summaryOf(bits: number[]): PeriodSummary {
  const seen: PeriodSummary[] = [];
  const summariser = new Summariser(2, 1, (summary) => seen.push(summary));
  const values = Float64Array.from({ length: 20 }, (_, k) => (k % 2 === 0 ? 1 + (k >> 1) : -1));
  const columns = Int32Array.of(0, 1);
  summariser.add(
    0,
    { values, scans: 10, time_s: 1, interval_s: 0.005, quality: Uint8Array.from(bits) },
    columns,
  );
  return seen[0];
}

describe('a summary', () => {
  it('holds least, largest, last and mean of each channel', () => {
    const { values, counts, flags } = summaryOf(new Array(10).fill(0));
    expect(Array.from(values)).toEqual([1, 10, 10, 5.5, -1, -1, -1, -1]);
    expect([...counts, ...flags]).toEqual([10, 10, 0, 0]);
  });

  it('leaves out scans whose device said that they hold no value, and keeps doubtful ones', () => {
    const bits = [
      0,
      0,
      0,
      0,
      0,
      quality.suspect,
      quality.clipped,
      quality.invalid,
      quality.invalid,
      quality.invalid,
    ];
    const { values, counts, flags } = summaryOf(bits);
    expect(Array.from(values)).toEqual([1, 7, 7, 4, -1, -1, -1, -1]);
    const all = quality.suspect | quality.clipped | quality.invalid;
    expect([...counts, ...flags]).toEqual([7, 7, all, all]);
  });

  it('shows no number at all when no scan held one', () => {
    const { values } = summaryOf(new Array(10).fill(quality.invalid));
    expect(Array.from(values)).toEqual(new Array(8).fill(Number.NaN));
  });
});
