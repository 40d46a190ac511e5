/** What stood before an instrument, from what it shows: the inverse of a line that rings. */
import type { Samples } from '../../statistics/samples.ts';

/** A line to the sensor: natural frequency and damping ratio. */
export interface RingingLine {
  readonly natural_Hz: number;
  readonly damping_ratio: number;
}

/**
 * The pressure at the pipe: p = y + 2 z/w y' + y''/w^2, with the derivatives of a parabola through the neighbours over a tenth of a
 * period (three samples at least). Values in the samples' unit, as many as there are; beside a gap and at the ends they stay as they are.
 */
export function restoreLine(samples: Samples, step_s: number, line: RingingLine): Float64Array {
  const { time_s, value } = samples;
  const omega = 2 * Math.PI * line.natural_Hz;
  const w = Math.max(1, Math.floor(0.1 / (line.natural_Hz * step_s)));
  const n = 2 * w + 1;
  // Weights of slope and bend of a least-squares parabola through n even samples.
  const x = Float64Array.from({ length: n }, (_, k) => (k - w) * step_s);
  const squares = x.reduce((sum, each) => sum + each ** 2, 0);
  const fourths = x.reduce((sum, each) => sum + each ** 4, 0);
  const weights = x.map((each) => {
    const slope = each / squares;
    const bend = (2 * (n * each ** 2 - squares)) / (n * fourths - squares ** 2);
    return ((2 * line.damping_ratio) / omega) * slope + bend / omega ** 2;
  });
  const restored = value.slice();
  for (let k = w; k < value.length - w; k++) {
    if (time_s[k + w] - time_s[k - w] > (n - 0.5) * step_s) continue;
    let sum = value[k];
    for (let j = 0; j < n; j++) sum += weights[j] * value[k - w + j];
    restored[k] = sum;
  }
  return restored;
}
