/** Hum of the mains on a pressure: a steady line at 50 or 60 Hz that is there before the trip and, in phase, long after it. */
import { fitColumns } from '../../statistics/fit.ts';
import { indexAt, type Samples } from '../../statistics/samples.ts';

/** What was found and taken out. */
export interface Hum {
  readonly frequency_Hz: number;
  /** Of the fundamental, in the channel's unit. */
  readonly amplitude: number;
}

/** Frequencies of the mains, and how far they stray in ordinary operation, in Hz (EN 50160: 1 % on most days). */
const mains_Hz = [50, 60];
const stray_Hz = 0.5;

/** Begin and end of a record in which hum is looked for, in s each. */
const stretch_s = 1;

/** Samples used for a look. */
const most = 500;

interface Stretch {
  readonly time_s: Float64Array;
  readonly value: Float64Array;
}

/** A stretch thinned to a few hundred single samples, which keeps its hum (their spacing stays uneven to it). */
function stretchOf({ time_s, value }: Samples, from_s: number, to_s: number, frequency_Hz: number): Stretch {
  const first = indexAt(time_s, from_s);
  const end = indexAt(time_s, to_s);
  const fine = Math.floor((end - first) / ((to_s - from_s) * 5 * frequency_Hz));
  const stride = Math.max(1, Math.min(Math.floor((end - first) / most), fine));
  const n = Math.max(0, Math.floor((end - first) / stride));
  return {
    time_s: Float64Array.from({ length: n }, (_, k) => time_s[first + k * stride]),
    value: Float64Array.from({ length: n }, (_, k) => value[first + k * stride]),
  };
}

/** Level, slope and bend of each stretch for itself, cosine and sine of all frequencies in common. */
function fitAt(stretches: readonly Stretch[], frequencies_Hz: readonly number[]) {
  const n = stretches.reduce((sum, { value }) => sum + value.length, 0);
  const waves = frequencies_Hz.flatMap(() => [new Float64Array(n), new Float64Array(n)]);
  const levels = stretches.flatMap(() => [new Float64Array(n), new Float64Array(n), new Float64Array(n)]);
  const y = new Float64Array(n);
  let k = 0;
  stretches.forEach(({ time_s, value }, part) => {
    for (let j = 0; j < value.length; j++, k++) {
      const t = time_s[j];
      const x = t - time_s[0];
      y[k] = value[j];
      levels[3 * part][k] = 1;
      levels[3 * part + 1][k] = x;
      levels[3 * part + 2][k] = x * x;
      frequencies_Hz.forEach((frequency_Hz, i) => {
        waves[2 * i][k] = Math.cos(2 * Math.PI * frequency_Hz * t);
        waves[2 * i + 1][k] = Math.sin(2 * Math.PI * frequency_Hz * t);
      });
    }
  });
  return fitColumns([...waves, ...levels], y);
}

function amplitudeOf(fit: ReturnType<typeof fitAt>, wave = 0): number {
  return fit === null ? 0 : Math.hypot(fit.coefficients[2 * wave], fit.coefficients[2 * wave + 1]);
}

/** The hum of a channel, and the channel without it; null where there is none to speak of (below its own noise, or not steady). */
export function withoutHum(
  samples: Samples,
  step_s: number,
): { readonly samples: Samples; readonly hum: Hum } | null {
  const { time_s } = samples;
  const begin_s = time_s[0];
  const end_s = time_s[time_s.length - 1];
  if (end_s - begin_s < 2.5 * stretch_s) return null;
  for (const mains of mains_Hz) {
    if (1 / step_s < 2.5 * mains) continue;
    const head = stretchOf(samples, begin_s, begin_s + stretch_s, mains);
    if (head.value.length < 60) continue;
    const look = fitAt([head], [mains]);
    if (look === null || amplitudeOf(look) < 0.8 * look.sigma) continue;
    const beside = Math.max(...[-7, 7].map((off) => amplitudeOf(fitAt([head], [mains + off]))));
    if (amplitudeOf(look) < 4 * beside) continue;
    const tail = stretchOf(samples, end_s - stretch_s, end_s, mains);
    const found = steady(head, tail, mains);
    if (found === null) continue;
    return { samples: { time_s, value: less(samples, [head, tail], found, step_s) }, hum: found };
  }
  return null;
}

/** The frequency that both ends of the record share, phase and all; null where the far end does not go on with the near one. */
function steady(head: Stretch, tail: Stretch, mains: number): Hum | null {
  if (tail.value.length < 60) return null;
  let best_Hz = mains;
  let least = Number.POSITIVE_INFINITY;
  const consider = (frequency_Hz: number) => {
    const squares = fitAt([head, tail], [frequency_Hz])?.squares ?? Number.POSITIVE_INFINITY;
    if (squares < least) [best_Hz, least] = [frequency_Hz, squares];
  };
  for (let off = -stray_Hz; off <= stray_Hz; off += 0.04) consider(mains + off);
  for (let size = 0.02; size > 0.001; size /= 2) {
    const middle = best_Hz;
    consider(middle - size);
    consider(middle + size);
  }
  const both = amplitudeOf(fitAt([head, tail], [best_Hz]));
  const ends = [head, tail].map((stretch) => amplitudeOf(fitAt([stretch], [best_Hz])));
  const isSteady = ends.every((end) => end > 0.75 * both && end < 1.33 * both);
  return isSteady ? { frequency_Hz: best_Hz, amplitude: both } : null;
}

/** The values less hum and its second and third harmonic, as far as the sampling shows them. */
function less(
  samples: Samples,
  ends: readonly Stretch[],
  { frequency_Hz }: Hum,
  step_s: number,
): Float64Array {
  const all = [1, 2, 3].map((order) => order * frequency_Hz).filter((each) => 1 / step_s > 2.5 * each);
  const fit = fitAt(ends, all);
  if (fit === null) return samples.value;
  // A harmonic below its own uncertainty would only add noise.
  const doubt = 2 * fit.sigma * Math.sqrt(2 / fit.n);
  const kept = all.filter((_, i) => amplitudeOf(fit, i) > doubt);
  return samples.value.map((value, k) => {
    let sum = value;
    for (const frequency of kept) {
      const i = all.indexOf(frequency);
      const angle = 2 * Math.PI * frequency * samples.time_s[k];
      sum -= fit.coefficients[2 * i] * Math.cos(angle) + fit.coefficients[2 * i + 1] * Math.sin(angle);
    }
    return sum;
  });
}
