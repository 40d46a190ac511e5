/** The ring-down: what the closed column does afterwards. Frequency, decay, wave speed, and the settled level under it. */
import { fitColumns } from '../../statistics/fit.ts';
import { indexAt, range, type Samples, type Span } from '../../statistics/samples.ts';

/** A damped oscillation about a drifting level, fitted to the outlet after seating. Times in s, pressures in Pa. */
export interface RingFit {
  readonly frequency_Hz: number;
  readonly frequencyUncertainty_Hz: number;
  /** Time constant of the envelope. */
  readonly decay_s: number;
  /** Level c0 + c1 (t - seating). */
  readonly level_Pa: number;
  readonly drift_Paps: number;
  readonly levelUncertainty_Pa: number;
  /** Amplitude at seating. */
  readonly amplitude_Pa: number;
  /** Share of the energy about the level that the oscillation explains, 0 to 1. */
  readonly explained: number;
  readonly sigma_Pa: number;
  readonly span: Span;
}

/** Decay times tried, in ring periods. */
const decays = [2, 3, 4.5, 7, 12, 20];

/**
 * Fits level + drift + exp(-t/decay) (A cos + B sin) over a window after seating by scanning frequency and decay; the
 * frequency lies within 25 % of `expected_Hz`. Samples are averaged to about 24 a period first, so that the cost does
 * not grow with the rate. Null when the window holds fewer than 12 samples or nothing fits.
 */
export function fitRing(
  samples: Samples,
  seating_s: number,
  span: Span,
  expected_Hz: number,
): RingFit | null {
  const thin = average(samples, span, 1 / (24 * expected_Hz));
  const n = thin.time_s.length;
  if (n < 12) return null;
  const trials = new Trials(thin, seating_s);
  let best = null as Trial | null;
  const consider = (frequency_Hz: number, decay_s: number) => {
    const trial = trials.attempt(frequency_Hz, decay_s);
    if (trial !== null && (best === null || trial.squares < best.squares)) best = trial;
  };
  for (let k = 0; k <= 100; k++) consider(expected_Hz * (0.75 + 0.005 * k), 6 / expected_Hz);
  if (best === null) return null;
  for (const decay of decays) consider(best.frequency_Hz, decay / expected_Hz);
  let width = 0.005 * expected_Hz;
  for (let round = 0; round < 10; round++) {
    const middle: Trial = best;
    consider(middle.frequency_Hz - width / 2, middle.decay_s);
    consider(middle.frequency_Hz + width / 2, middle.decay_s);
    consider(middle.frequency_Hz, middle.decay_s * (1 + 0.3 / (round + 1)));
    consider(middle.frequency_Hz, middle.decay_s / (1 + 0.3 / (round + 1)));
    width *= 0.6;
  }
  const { frequency_Hz, decay_s, squares, coefficients: c, inverse, sigma } = best;
  const flat = trials.withoutRing();
  const explained = flat === null || flat <= 0 ? 0 : Math.max(0, 1 - squares / flat);
  // Curvature of the misfit over the frequency gives its variance.
  const h = 0.002 * expected_Hz;
  const upper = trials.attempt(frequency_Hz + h, decay_s)?.squares ?? squares;
  const lower = trials.attempt(frequency_Hz - h, decay_s)?.squares ?? squares;
  const curvature = (upper + lower - 2 * squares) / (h * h);
  return {
    frequency_Hz,
    frequencyUncertainty_Hz: curvature > 0 ? sigma * Math.sqrt(2 / curvature) : h,
    decay_s,
    level_Pa: c[0],
    drift_Paps: c[1],
    levelUncertainty_Pa: sigma * Math.sqrt(Math.max(0, inverse[0])),
    amplitude_Pa: Math.hypot(c[2], c[3]),
    explained,
    sigma_Pa: sigma,
    span,
  };
}

interface Trial {
  readonly frequency_Hz: number;
  readonly decay_s: number;
  readonly squares: number;
  readonly coefficients: Float64Array;
  readonly inverse: Float64Array;
  readonly sigma: number;
}

/** Columns kept between trials so that a trial allocates little. */
class Trials {
  readonly #elapsed_s: Float64Array;
  readonly #value: Float64Array;
  readonly #one: Float64Array;
  readonly #cosine: Float64Array;
  readonly #sine: Float64Array;

  constructor(samples: Samples, origin_s: number) {
    this.#value = samples.value;
    this.#elapsed_s = samples.time_s.map((t) => t - origin_s);
    this.#one = new Float64Array(samples.value.length).fill(1);
    this.#cosine = new Float64Array(samples.value.length);
    this.#sine = new Float64Array(samples.value.length);
  }

  attempt(frequency_Hz: number, decay_s: number): Trial | null {
    const omega = 2 * Math.PI * frequency_Hz;
    for (let k = 0; k < this.#value.length; k++) {
      const t = this.#elapsed_s[k];
      const envelope = Math.exp(-t / decay_s);
      this.#cosine[k] = envelope * Math.cos(omega * t);
      this.#sine[k] = envelope * Math.sin(omega * t);
    }
    const fit = fitColumns([this.#one, this.#elapsed_s, this.#cosine, this.#sine], this.#value);
    if (fit === null) return null;
    return {
      frequency_Hz,
      decay_s,
      squares: fit.squares,
      coefficients: fit.coefficients,
      inverse: fit.inverse,
      sigma: fit.sigma,
    };
  }

  /** Squares left by level and drift alone. */
  withoutRing(): number | null {
    return fitColumns([this.#one, this.#elapsed_s], this.#value)?.squares ?? null;
  }
}

/** Means over blocks of about `block_s`; the samples as they are when they are no denser. */
export function average(samples: Samples, span: Span, block_s: number): Samples {
  const [first, end] = range(samples.time_s, span);
  const time_s: number[] = [];
  const value: number[] = [];
  let k = first;
  while (k < end) {
    const stop = Math.min(end, Math.max(k + 1, indexAt(samples.time_s, samples.time_s[k] + block_s)));
    let t = 0;
    let v = 0;
    for (let j = k; j < stop; j++) {
      t += samples.time_s[j];
      v += samples.value[j];
    }
    time_s.push(t / (stop - k));
    value.push(v / (stop - k));
    k = stop;
  }
  return { time_s: Float64Array.from(time_s), value: Float64Array.from(value) };
}

/**
 * Wave speed from the ring-down, in m/s. The quarter wave between shut valve and tank has a period of 4 L / a; the
 * water that moves beyond the pipe's end makes it a little longer, by between 0.3 and 1 times the excess of the
 * inertia ratio (lumped at the end: all of it; spread over a reflecting end: 0.3 of it, as in most tanks), so half of
 * it is taken and the rest is doubt. Returned with its standard uncertainty.
 */
export function ringWaveSpeed(
  ring: RingFit,
  length_m: number,
  lengthUncertainty_m: number,
  inertiaRatio: number,
): { readonly value: number; readonly uncertainty: number } {
  const excess = Math.max(0, inertiaRatio - 1);
  const value = 4 * length_m * (1 + 0.5 * excess) * ring.frequency_Hz;
  const relative = Math.hypot(
    lengthUncertainty_m / length_m,
    ring.frequencyUncertainty_Hz / ring.frequency_Hz,
    (0.42 * excess) / Math.sqrt(3),
    0.006,
  );
  return { value, uncertainty: value * relative };
}
