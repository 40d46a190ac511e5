/** How often a device that is polled faster than it measures really renews its value: found from the record alone. */
import { fitLineOf } from '../statistics/fit.ts';
import { median, type Samples } from '../statistics/samples.ts';

/** The device's own clock. */
export interface UpdateRate {
  readonly rate_Hz: number;
  /** An instant of renewal, in s on the samples' clock, between 0 and one period; half a poll interval uncertain. */
  readonly phase_s: number;
  /** Share of samples that only repeat the one before. */
  readonly repeated_ratio: number;
  /** Scatter of the renewals about that clock, standard deviation in s: under a third of a poll when it is one. */
  readonly scatter_s: number;
}

/**
 * The clock that explains when values change. A renewal is seen by the first poll after it, so the change lies half a
 * poll interval late on average. A renewal that happens to give the same value leaves a run of twice the length, which is
 * counted as two. Null with fewer than 8 changes, or when nothing is repeated.
 */
export function updateRateOf(samples: Samples): UpdateRate | null {
  const { time_s, value } = samples;
  const n = value.length;
  const changes_s: number[] = [];
  for (let k = 1; k < n; k++) if (value[k] !== value[k - 1]) changes_s.push(time_s[k]);
  if (changes_s.length < 8 || changes_s.length >= n - 1) return null;
  const poll_s = (time_s[n - 1] - time_s[0]) / (n - 1);
  const gaps = Float64Array.from(changes_s.slice(1), (t, k) => t - changes_s[k]);
  const middle_s = median(gaps, 0, gaps.length);
  if (middle_s === null || middle_s <= 0) return null;
  // The mean of the gaps near the median: a period between two multiples of the poll shows both.
  let sum_s = 0;
  let count = 0;
  for (const gap_s of gaps) {
    if (Math.abs(gap_s - middle_s) > 1.2 * poll_s) continue;
    sum_s += gap_s;
    count++;
  }
  let period_s = sum_s / count;
  let phase_s = 0;
  let scatter_s = Number.POSITIVE_INFINITY;
  const turns = new Float64Array(changes_s.length);
  const at_s = Float64Array.from(changes_s);
  for (let round = 0; round < 3; round++) {
    for (let k = 1; k < turns.length; k++) {
      turns[k] = turns[k - 1] + Math.max(1, Math.round((at_s[k] - at_s[k - 1]) / period_s));
    }
    const line = fitLineOf(turns, at_s, 0, turns.length);
    if (line === null || line.slope <= 0) return null;
    period_s = line.slope;
    phase_s = line.level - line.slope * line.middle_s - poll_s / 2;
    scatter_s = line.sigma;
  }
  return {
    rate_Hz: 1 / period_s,
    phase_s: phase_s - period_s * Math.floor(phase_s / period_s),
    repeated_ratio: 1 - (changes_s.length + 1) / n,
    scatter_s,
  };
}
