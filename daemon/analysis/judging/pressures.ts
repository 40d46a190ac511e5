/** Results that are pressures: statics, peak, surge, sag, step, and what the pipe makes of them. Pa, gauge. */

import { differenceUncertainty, readingUncertainty } from '../../instruments/reading-doubt.ts';
import { lineUncertainty, onLine } from '../../statistics/fit.ts';
import { indexOfLargest, indexOfSmallest, range } from '../../statistics/samples.ts';
import { coverage, together } from '../../statistics/uncertainty.ts';
import type { Facts } from '../finding/facts.ts';
import { steadyLine, steadySpan } from '../finding/levels.ts';
import { afterTrip } from '../finding/trip.ts';
import { bounded, measured, withheld } from '../result.ts';
import type { LegResults, Result } from '../verdict.ts';
import type { Capture } from './corrected-peak.ts';
import { noSeating } from './instants.ts';

export type PressureResults = Pick<
  LegResults,
  | 'staticBefore'
  | 'staticAfter'
  | 'peakRaw'
  | 'peak'
  | 'minimum'
  | 'captureFraction'
  | 'surgeRaw'
  | 'surge'
  | 'surgeOverBefore'
  | 'sag'
  | 'seatingStep'
  | 'ratingMargin'
>;

/**
 * Levels, peaks and surges of the outlet, gauge Pa (differences in Pa), windows in s after the trip. A result whose
 * ground is missing is withheld with the reason; never throws. `capture` null: the outlet did not settle.
 */
export function pressureResults(facts: Facts, capture: Capture | null): PressureResults {
  const { frame, trip, seat, settled, peak, static_Pa } = facts;
  const outlet = frame.outlet;
  const { channel } = outlet.series;
  /** Gauge reading: calibration counts in full. */
  const reading = (value: number, u: number) => together(u, readingUncertainty(channel, value));
  /** Difference of two readings: the fixed part cancels. */
  const difference = (value: number, u: number) => together(u, differenceUncertainty(channel, value));

  const before = trip === null ? null : steadyLine(outlet.samples, trip.at_s);
  const staticBefore: Result =
    trip === null || before === null
      ? withheld(
          trip === null ? 'the instant of the trip is not known' : 'too little is recorded before the trip',
        )
      : measured(
          onLine(before, trip.at_s),
          'Pa',
          reading(onLine(before, trip.at_s), together(lineUncertainty(before, trip.at_s), 0.002e5)),
          'line through the outlet before the trip',
          afterTrip(trip, steadySpan(trip.at_s)),
        );
  const minimum = lowest(facts, reading);
  if (seat === null || peak === null) {
    return {
      staticBefore,
      staticAfter: noSeating,
      peakRaw: noSeating,
      peak: noSeating,
      minimum,
      captureFraction: noSeating,
      surgeRaw: noSeating,
      surge: noSeating,
      surgeOverBefore: noSeating,
      sag: noSeating,
      seatingStep: noSeating,
      ratingMargin: noSeating,
    };
  }
  const at = afterTrip(trip, { from_s: peak.at_s, to_s: peak.at_s });
  const sigma = outlet.sigma;
  const noise = together(sigma * 0.7, 0.001e5);
  // A largest sample can only be too low: its interval reaches up to what the capture allows.
  const isBlind = peakWithheld(facts) !== null;
  const rawHigh_Pa = Math.max(
    peak.raw_Pa + coverage * noise,
    capture?.high_Pa ?? 0,
    // Where no corrected peak can be given, the true surge may well be twice what was seen.
    isBlind && static_Pa !== null ? 2 * peak.raw_Pa - static_Pa : 0,
  );
  const rawDoubt_Pa = coverage * reading(peak.raw_Pa, noise);
  const peakRaw = bounded(
    peak.raw_Pa,
    'Pa',
    peak.raw_Pa - rawDoubt_Pa,
    peak.raw_Pa + together(rawHigh_Pa - peak.raw_Pa, rawDoubt_Pa),
    'largest sample of the outlet',
    at,
  );
  const corrected = peakWithheld(facts);
  const unsettled = withheld('the record ends before the outlet settles');
  const staticU = settled === null ? 0 : together(settled.uncertainty_Pa, 0.002e5);
  const staticAfter: Result =
    settled === null || static_Pa === null
      ? unsettled
      : measured(
          static_Pa,
          'Pa',
          reading(static_Pa, staticU),
          `${settled.method}, 50 ms after seating`,
          afterTrip(trip, settled.span),
        );
  const overStatic = (
    value: number,
    low: number,
    high: number,
    base: number,
    u: number,
    method: string,
  ): Result => {
    const extra = coverage * difference(value - base, u);
    return bounded(
      value - base,
      'Pa',
      value - base - together(value - low, extra),
      value - base + together(high - value, extra),
      method,
      at,
    );
  };
  const method = 'largest sample, corrected for sampling, sensor lag, noise and way to the seat';
  const byCapture = (build: (capture: Capture) => Result): Result =>
    corrected !== null ? withheld(corrected) : capture === null ? unsettled : build(capture);
  const rating_Pa = Math.min(
    frame.leg.rating_Pa ?? Number.POSITIVE_INFINITY,
    frame.leg.valve.rating_Pa ?? Number.POSITIVE_INFINITY,
  );
  const peakResult = byCapture((c) => {
    const u = coverage * readingUncertainty(channel, c.corrected_Pa);
    return bounded(
      c.corrected_Pa,
      'Pa',
      c.corrected_Pa - together(c.corrected_Pa - c.low_Pa, u),
      c.corrected_Pa + together(c.high_Pa - c.corrected_Pa, u),
      method,
      at,
    );
  });
  return {
    staticBefore,
    staticAfter,
    peakRaw,
    peak: peakResult,
    minimum,
    captureFraction:
      capture === null
        ? unsettled
        : bounded(
            capture.fraction,
            '1',
            capture.worst,
            1,
            'samples on the plateau and response time of the sensor',
          ),
    surgeRaw:
      static_Pa === null
        ? unsettled
        : overStatic(
            peak.raw_Pa,
            peak.raw_Pa - coverage * noise,
            rawHigh_Pa,
            static_Pa,
            staticU,
            'largest sample less static after',
          ),
    surge: byCapture((c) =>
      static_Pa === null
        ? unsettled
        : overStatic(c.corrected_Pa, c.low_Pa, c.high_Pa, static_Pa, staticU, `${method}; less static after`),
    ),
    surgeOverBefore: byCapture((c) =>
      trip === null || before === null
        ? staticBefore
        : overStatic(
            c.corrected_Pa,
            c.low_Pa,
            c.high_Pa,
            onLine(before, trip.at_s),
            0.003e5,
            `${method}; less static before`,
          ),
    ),
    sag: sagResult(facts, difference),
    seatingStep: stepResult(facts, difference),
    ratingMargin:
      peakResult.value === null
        ? peakResult
        : Number.isFinite(rating_Pa)
          ? bounded(
              rating_Pa - peakResult.value,
              'Pa',
              rating_Pa - peakResult.high,
              rating_Pa - peakResult.low,
              'lower rating of pipe and valve less the corrected peak',
            )
          : withheld('neither the pipe nor the valve has a rating in the configuration'),
  };
}

/** Why no corrected peak is given; null when one is. */
export function peakWithheld(facts: Facts): string | null {
  const { frame, peak } = facts;
  const { perPlateau, lag_s, plateau_s } = frame.constants;
  if (peak === null) return 'no closing of the valve was found in this record';
  const nearPeak_s = Math.max(frame.outlet.step_s * 2, 0.002);
  const top = frame.outlet.series.channel.range[1];
  if (frame.outlet.clipped_s.some((t) => Math.abs(t - peak.at_s) < nearPeak_s) || peak.raw_Pa > top) {
    return 'the outlet reading is clipped at its peak: the true peak is higher than the largest sample';
  }
  if (perPlateau < 1) {
    return `fewer than one sample falls on the plateau of 2L/a (${(plateau_s * 1e3).toFixed(1)} ms): the peak may be missed altogether`;
  }
  if (lag_s > plateau_s / 2) {
    return `the outlet sensor answers in ${(lag_s * 1e3).toFixed(1)} ms, the pulse lasts ${(plateau_s * 1e3).toFixed(1)} ms`;
  }
  return null;
}

function lowest(facts: Facts, reading: (value: number, u: number) => number): Result {
  const { trip, seat, frame } = facts;
  const { time_s, value } = frame.outlet.samples;
  const from_s = trip?.at_s ?? seat?.at_s ?? null;
  if (from_s === null) return withheld('the instant of the trip is not known');
  const [first, end] = range(time_s, { from_s, to_s: Number.POSITIVE_INFINITY });
  const k = indexOfSmallest(value, first, end);
  if (k < 0) return withheld('nothing is recorded after the trip');
  return measured(
    value[k],
    'Pa',
    reading(value[k], together(frame.outlet.sigma, 0.002e5)),
    'smallest sample of the outlet',
    afterTrip(trip, { from_s: time_s[k], to_s: time_s[k] }),
  );
}

function sagResult(facts: Facts, difference: (value: number, u: number) => number): Result {
  const { seat, settled, sag_Pa } = facts;
  if (seat === null || settled === null || sag_Pa === null) {
    return withheld('the record ends before the outlet settles');
  }
  const u = together(settled.uncertainty_Pa, seat.beforeUncertainty_Pa);
  return measured(sag_Pa, 'Pa', difference(sag_Pa, u), 'static after less the outlet just before seating');
}

function stepResult(facts: Facts, difference: (value: number, u: number) => number): Result {
  const { seat, frame, trip } = facts;
  if (seat === null) return noSeating;
  const front = seat.front;
  if (front === null) {
    return withheld(
      `${frame.constants.perPlateau.toFixed(1)} samples on the plateau of 2L/a do not show the step: 8 are needed`,
    );
  }
  const { density_kgpm3, waveSpeed_mps, perPlateau } = frame.constants;
  const impedance = density_kgpm3 * waveSpeed_mps;
  // As for the velocity at seating, which is this over density x wave speed.
  const shape =
    seat.isSoftened === true
      ? 0.4 * Math.abs(front.step_Pa) + 0.035 * impedance
      : 0.075 * front.step_Pa + 0.002 * impedance + (perPlateau < 20 ? 0.05 * front.step_Pa : 0);
  return measured(
    front.step_Pa,
    'Pa',
    difference(front.step_Pa, together(front.stepUncertainty_Pa, shape)),
    seat.isSoftened === true
      ? 'step left over by the throttling before it, fitted with the sensor lag'
      : 'outlet just after less just before, fitted with the sensor lag',
    afterTrip(trip, front),
  );
}

/**
 * Largest outlet less inlet after seating, in Pa, and its instant in s from the origin; positive is what the shut valve holds.
 * Null without an inlet or a seating.
 */
export function largestDifference(facts: Facts): { readonly value: number; readonly at_s: number } | null {
  const { frame, seat } = facts;
  if (frame.inlet === null || seat === null) return null;
  const { time_s, value } = frame.difference;
  const [first, end] = range(time_s, { from_s: seat.at_s, to_s: Number.POSITIVE_INFINITY });
  const k = indexOfLargest(value, first, end);
  return k < 0 ? null : { value: value[k], at_s: time_s[k] };
}
