/** How much of the true peak this sampling and this sensor can show, and what it should be corrected by. */

import { coverage, ofInterval, together } from '../../statistics/uncertainty.ts';
import type { Facts } from '../finding/facts.ts';
import type { Seat } from '../finding/seat.ts';
import type { LegSignals } from '../reading/leg-signals.ts';

/** What sampling and sensor did to the peak; all in Pa but the share. */
export interface CorrectedPeak {
  /** Peak at the seat: raw, plus what is expected to be missed, less what noise adds. */
  readonly corrected_Pa: number;
  readonly low_Pa: number;
  readonly high_Pa: number;
  /** Share of the true surge that such a reading shows, and its worst phase. */
  readonly fraction: number;
  readonly worst: number;
  /** Parts of the correction, in Pa: between samples, and by the sensor's lag. */
  readonly bySampling_Pa: number;
  readonly byLag_Pa: number;
}

type Peak = NonNullable<Facts['peak']>;

/**
 * The plateau after a sharp seating is a ramp from the step to the peak, 2 (L - x) / a long, then a sharp drop. With
 * n = samples on it, the largest sample misses sag/n on average and 2 sag/n at worst; a sensor with lag tau misses
 * 2 sag tau / Tp + step exp(-Tp / tau) more; white noise adds 0.6 sigma sqrt(2 ln(n / 4)) (derived for the ramp;
 * checked by simulation, test/bench/analysis-accuracy.ts). The tap sits x from the seat and misses sag x / (L - x).
 * The largest error left is bounded by 2 sag/n or by the fall to the nearer neighbour of the largest sample.
 */
export function correctPeak(facts: Facts): CorrectedPeak | null {
  const { signals, peak, static_Pa, sag_Pa, seat } = facts;
  if (peak === null || static_Pa === null || sag_Pa === null || seat === null) return null;
  const { perPlateau, plateau_s, lag_s, tap_m, length_m } = signals.constants;
  // How well the lag is known is how well its correction is: as stated, or as far as the front showed it.
  const { responseTimeHalfWidth_s } = signals.outlet.series.channel;
  const lagDoubt_ratio = Math.min(0.5, ofInterval(responseTimeHalfWidth_s) / Math.max(1e-6, lag_s));
  const sigma = signals.outlet.sigma;
  const surge_Pa = Math.max(1, peak.raw_Pa - static_Pa);
  const n = Math.max(0.5, perPlateau);
  const sag = seat.isSoftened === true ? 0 : Math.max(0, sag_Pa);
  const step_Pa = Math.max(0, seat.front?.step_Pa ?? surge_Pa - sag);
  const byLag_Pa =
    2 * sag * Math.min(0.5, lag_s / plateau_s) + step_Pa * Math.exp(-plateau_s / Math.max(1e-9, lag_s));
  const bySampling_Pa = sag / Math.max(1, n);
  const atSeat_Pa = (sag * tap_m) / Math.max(0.1, length_m - tap_m);
  const byNoise_Pa = n > 4 ? 0.6 * sigma * Math.sqrt(2 * Math.log(Math.max(2, n / 4))) : 0;
  const values = signals.outlet.samples.value;
  const neighbour = Math.min(
    peak.raw_Pa - (values[peak.index - 1] ?? peak.raw_Pa),
    peak.raw_Pa - (values[peak.index + 1] ?? peak.raw_Pa),
  );
  const bound_Pa = Math.max((2 * sag) / n, Math.max(0, neighbour));
  const spike_Pa = spikeOnTop_Pa(signals, seat, peak);
  if (spike_Pa > 0) return correctSpike(signals, seat, peak, { spike_Pa, surge_Pa });
  const corrected_Pa = peak.raw_Pa + bySampling_Pa + byLag_Pa + atSeat_Pa - byNoise_Pa;
  const doubt_Pa =
    coverage *
    together(
      0.6 * sigma,
      lagDoubt_ratio * byLag_Pa,
      0.4 * atSeat_Pa,
      (seat.isSoftened === true ? 0.03 : 0.015) * surge_Pa,
    );
  const isLater = peak.at_s > seat.at_s + 0.75 * signals.constants.ring_s;
  const shape_Pa = shapeDoubt_ratio(seat.isSoftened, n, isLater) * surge_Pa;
  const missed = (part: number) => Math.min(1, Math.max(0, 1 - part / (surge_Pa + part)));
  return {
    corrected_Pa,
    // Where it cannot be told whether the pulse is a ramp at all, nothing may have been missed: all of the correction falls.
    low_Pa:
      corrected_Pa -
      together(
        doubt_Pa,
        seat.isSoftened === null ? bySampling_Pa + byLag_Pa + atSeat_Pa : bySampling_Pa,
        overshoot_Pa(facts),
      ),
    high_Pa:
      corrected_Pa +
      together(
        doubt_Pa,
        seat.isSoftened === null ? bound_Pa : Math.max(bySampling_Pa, bound_Pa - bySampling_Pa),
        shape_Pa,
      ),
    fraction: missed(bySampling_Pa + byLag_Pa),
    worst: missed(Math.max((2 * sag) / n, bound_Pa) + byLag_Pa),
    bySampling_Pa,
    byLag_Pa,
  };
}

/**
 * A valve that throttles longer than 2L/a seats on top of a spike that is over before sensor and sampling follow: how far the
 * front fit stands above the largest sample, in Pa; 0 where there is no such spike.
 */
function spikeOnTop_Pa(signals: LegSignals, seat: Seat, peak: Peak): number {
  if (seat.isSoftened !== true || seat.front === null) return 0;
  const isAtFront = Math.abs(peak.at_s - seat.front.at_s) < 0.003 + 2 * signals.outlet.step_s;
  return isAtFront ? Math.max(0, seat.front.after_Pa - peak.raw_Pa) : 0;
}

function correctSpike(
  signals: LegSignals,
  seat: Seat,
  peak: Peak,
  { spike_Pa, surge_Pa }: { readonly spike_Pa: number; readonly surge_Pa: number },
): CorrectedPeak {
  const sigma = signals.outlet.sigma;
  const corrected = peak.raw_Pa + spike_Pa;
  const doubt = coverage * together(seat.front?.stepUncertainty_Pa ?? 0, 0.015 * surge_Pa, sigma);
  const shape_Pa = (Math.max(0.5, signals.constants.perPlateau) < 20 ? 0.06 : 0.03) * surge_Pa;
  return {
    corrected_Pa: corrected,
    low_Pa: Math.max(peak.raw_Pa - coverage * sigma, corrected - together(doubt, spike_Pa)),
    high_Pa: corrected + together(doubt, 0.7 * spike_Pa, shape_Pa),
    fraction: surge_Pa / (surge_Pa + spike_Pa),
    worst: surge_Pa / (surge_Pa + 2 * spike_Pa),
    bySampling_Pa: 0,
    byLag_Pa: spike_Pa,
  };
}

/** How much higher than its corrected peak a pulse may stand that is no ramp, or a later slam of another shape; over the surge. */
function shapeDoubt_ratio(isSoftened: boolean | null, perPlateau: number, isLater: boolean): number {
  if (isSoftened !== false && perPlateau < 8) return 0.4 * Math.min(1, 2 / perPlateau);
  if (isSoftened === true && perPlateau < 20) return 0.3;
  return isLater ? 0.12 : 0;
}

/**
 * Overshoot over a step of the least damped filter that transmitters are built with, a Butterworth one: exp(-pi) of the step
 * (damping 0.71; textbook of control, from memory).
 */
const overshoot_ratio = 0.043;

/** How much of the largest sample may be the sensor's own overshoot, in Pa: only where it stands right after the front. */
export function overshoot_Pa({ seat, peak, signals }: Facts): number {
  const front = seat?.front ?? null;
  if (front === null || peak === null) return 0;
  const { lag_s } = signals.constants;
  // A second-order filter of that damping passes its peak 2.2 of its response times after the step, and is back after 5.
  return peak.at_s - front.at_s < 5 * lag_s + signals.outlet.step_s
    ? overshoot_ratio * Math.max(0, front.step_Pa)
    : 0;
}
