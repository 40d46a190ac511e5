/**
 * Wave speed from two taps: the front of the seating passes the outlet tap and then the mid tap, and the way between them
 * over the time it takes is the speed. No length of the leg and no end is in it, which is what makes it a second opinion on
 * the ring-down. (Travel time between two transducers: common practice, no source.)
 */

import { indexOfSmallest, range, valueAt } from '../../statistics/samples.ts';
import { type Estimate, ofInterval, together } from '../../statistics/uncertainty.ts';
import { type Channel, delayDoubt_s, type LegSignals } from '../reading/leg-signals.ts';
import type { Seat } from './seat.ts';

/** The speed, and what its standard uncertainty is made of, in m/s. */
export interface TapSpeed extends Estimate {
  readonly byTiming_mps: number;
  readonly byLags_mps: number;
  readonly byDistance_mps: number;
  readonly from_s: number;
  readonly to_s: number;
}

/** Either the speed or the reason why the taps do not tell one. */
export type TapAnswer = { readonly speed: TapSpeed } | { readonly reason: string };

/** A tapping is known to so much along the pipe, standard uncertainty in m (judgement). */
const tapping_m = 0.005;
/** Samples that the wave must need from tap to tap. */
const leastSamples = 4;
/** Worse than this share the number says nothing that pipe and water would not. */
const most_ratio = 0.05;

/**
 * The mid tap shows what the outlet tap showed a little earlier, until the tank answers there, 2 (L - x) / a after the
 * front. Over that window mid(t) = c + g outlet(t - shift) is fitted for each shift, and the best one taken between the
 * trials by a parabola. Both are averaged over the same few samples first, which moves neither.
 */
export function twoTapSpeed(signals: LegSignals, seat: Seat): TapAnswer {
  const { mid, outlet, leg } = signals;
  const distance_m = leg.mid === null ? 0 : leg.mid.distance_m - leg.outlet.distance_m;
  if (mid === null || leg.mid === null || distance_m <= 0)
    return { reason: 'there is no mid tap in this leg' };
  const { waveSpeed_mps, length_m, tap_m } = signals.constants;
  const travel_s = distance_m / waveSpeed_mps;
  const step_s = Math.max(outlet.step_s, mid.step_s);
  if (travel_s < leastSamples * step_s) {
    return {
      reason: `the wave needs ${(travel_s * 1e3).toFixed(1)} ms from tap to tap: ${(travel_s / step_s).toFixed(1)} samples, ${leastSamples} are needed`,
    };
  }
  // The slow rise of a throttled stop is pressed on the whole column at once: it read up to 40 % high in simulation.
  if (seat.isSoftened !== false) return { reason: 'no sharp front passes from tap to tap' };
  const front_s = seat.front?.at_s ?? seat.at_s + tap_m / waveSpeed_mps;
  const answer_s = (2 * (length_m - leg.mid.distance_m)) / waveSpeed_mps;
  const span = { from_s: front_s + travel_s - 0.005, to_s: front_s + travel_s + 0.9 * answer_s };
  const [first, end] = range(mid.samples.time_s, span);
  if (end - first < 8) return { reason: 'too few samples of the mid tap about the seating' };
  const time_s = mid.samples.time_s.subarray(first, end);
  const half = Math.max(0, Math.round(0.2e-3 / step_s));
  const fitted = fitShift(outlet, mid, { time_s, half, travel_s });
  if (fitted === null) return { reason: 'no wave front was found between the taps' };
  const { shift_s, fitted_s } = fitted;
  const lags = [outlet, mid].map(({ series }) => series.channel);
  const late_s = lags[1].responseTime_s - lags[0].responseTime_s;
  const true_s = shift_s - late_s;
  if (!(true_s > 0)) return { reason: 'the taps show the wave in the wrong order' };
  const value = distance_m / true_s;
  const timing_s = together(fitted_s, 0.1 * step_s, outlet.series.halfWidth_s, mid.series.halfWidth_s);
  const lag_s = together(
    ...lags.map((each) => ofInterval(each.responseTimeHalfWidth_s)),
    delayDoubt_s(outlet),
    delayDoubt_s(mid),
  );
  const byTiming_mps = (value * timing_s) / true_s;
  const byLags_mps = (value * lag_s) / true_s;
  const byDistance_mps = (value * Math.SQRT2 * tapping_m) / distance_m;
  const uncertainty = together(byTiming_mps, byLags_mps, byDistance_mps);
  if (uncertainty > most_ratio * value) {
    return {
      reason: `taps too close, or sensors or sampling too slow: wave speed +-${Math.round((196 * uncertainty) / value)} %`,
    };
  }
  const from_s = time_s[0];
  const to_s = time_s[time_s.length - 1];
  return { speed: { value, uncertainty, byTiming_mps, byLags_mps, byDistance_mps, from_s, to_s } };
}

/** The instants of the mid tap that are compared, samples averaged to each side, and the travel that is expected. */
interface ShiftSearch {
  readonly time_s: Float64Array;
  readonly half: number;
  readonly travel_s: number;
}

/** How much later the mid tap shows the wave, in s, and the standard uncertainty of the fit alone; null at an end of the search. */
function fitShift(
  outlet: Channel,
  mid: Channel,
  { time_s, half, travel_s }: ShiftSearch,
): { readonly shift_s: number; readonly fitted_s: number } | null {
  const seen = smoothed(mid, time_s, half);
  const shifts = Array.from({ length: 61 }, (_, k) => travel_s * (0.7 + 0.01 * k));
  const misfits = Float64Array.from(shifts, (shift_s) => {
    const sent_s = time_s.map((t) => t - shift_s);
    return misfit(smoothed(outlet, sent_s, half), seen);
  });
  const best = indexOfSmallest(misfits, 0, misfits.length);
  if (best <= 0 || best >= misfits.length - 1) return null;
  const [before, least, after] = [misfits[best - 1], misfits[best], misfits[best + 1]];
  const curvature = before + after - 2 * least;
  const grid_s = shifts[1] - shifts[0];
  const shift_s = shifts[best] + (curvature > 0 ? (0.5 * (before - after) * grid_s) / curvature : 0);
  // One variance more of misfit is one standard uncertainty; neighbours share the samples they are averaged over.
  const variance = ((2 * half + 1) * least) / Math.max(1, time_s.length - 3);
  return { shift_s, fitted_s: curvature > 0 ? grid_s * Math.sqrt((2 * variance) / curvature) : grid_s };
}

/** Squares left of y = c + g x with g > 0; the whole of it where x does not move or moves against y. */
function misfit(x: Float64Array, y: Float64Array): number {
  const n = y.length;
  let sumX = 0;
  let sumY = 0;
  let sumXX = 0;
  let sumXY = 0;
  let sumYY = 0;
  for (let k = 0; k < n; k++) {
    sumX += x[k];
    sumY += y[k];
    sumXX += x[k] * x[k];
    sumXY += x[k] * y[k];
    sumYY += y[k] * y[k];
  }
  const xx = sumXX - (sumX * sumX) / n;
  const xy = sumXY - (sumX * sumY) / n;
  const yy = sumYY - (sumY * sumY) / n;
  return xx > 0 && xy > 0 ? yy - (xy * xy) / xx : yy;
}

/** Mean of the readings round each instant, `half` samples to either side, each between its neighbours. */
function smoothed({ samples, step_s }: Channel, time_s: Float64Array, half: number): Float64Array {
  return time_s.map((at_s) => {
    let sum = 0;
    for (let k = -half; k <= half; k++) sum += valueAt(samples, at_s + k * step_s) ?? 0;
    return sum / (2 * half + 1);
  });
}
