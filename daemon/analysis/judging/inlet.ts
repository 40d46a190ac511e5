/** What the inlet tap says: the opposite step at seating, a second opinion on the reverse velocity. */

import { indexOfSmallest, range } from '../../statistics/samples.ts';
import { together } from '../../statistics/uncertainty.ts';
import type { Facts } from '../finding/facts.ts';
import { fitFront } from '../finding/front.ts';
import { afterTrip } from '../finding/trip.ts';
import { blind, within } from '../reading/missing.ts';
import { withheld } from '../result.ts';
import type { Result } from '../verdict.ts';
import type { Effect } from './budget.ts';
import { lackWords, noInlet, noSeating } from './reasons.ts';
import { waveSpeedDoubt } from './shared-effects.ts';
import { stated } from './stated.ts';

/**
 * Below this gauge pressure the step at the inlet may be cut off by water that parts, in Pa: a sensor with lag does not
 * follow a short fall down to vapour pressure.
 */
export const partingLevel_Pa = -0.45e5;

/**
 * Reverse velocity from the fall at the inlet over density * wave speed. Valid while the inlet stays well above vapour
 * pressure; near it the fall was cut off and the number is a lower bound. The short pipe to the pump reflects soon, so the fit uses
 * 0.7 of 2L/a of that pipe, and wants three samples there.
 */
export function inletVelocity(facts: Facts): Result {
  const { signals, seat, trip } = facts;
  const { inlet, leg, constants } = signals;
  if (seat === null) return noSeating;
  if (inlet === null || leg.inlet === null) return noInlet;
  if (seat.isSoftened === true) return withheld('softened closure: the inlet step is spread out');
  const tap_m = leg.inlet.distance_m;
  const free_s = (2 * Math.max(0, leg.inletLength_m - tap_m)) / constants.waveSpeed_mps;
  const after_s = 0.7 * free_s;
  const lag_s = inlet.series.channel.responseTime_s;
  if (after_s < 3.5 * inlet.step_s || after_s < 2 * lag_s) {
    return withheld(
      `the pipe to the pump answers in ${(free_s * 1e3).toFixed(1)} ms: too soon for this sampling and sensor`,
    );
  }
  const half_s = seat.at_s + tap_m / constants.waveSpeed_mps + 0.7 * lag_s;
  const stepSpan = { from_s: half_s - Math.max(0.012, 6 * inlet.step_s), to_s: half_s + free_s };
  if (seat.hidden !== null || within(blind(inlet.missing), stepSpan).length > 0) return atMost(facts);
  const front = fitFront(
    { time_s: inlet.samples.time_s, value: inlet.samples.value.map((value) => -value) },
    {
      half_s,
      lag_s,
      lagHalfWidth_s: inlet.series.channel.responseTimeHalfWidth_s,
      step_s: inlet.step_s,
      before_s: Math.max(0.012, 6 * inlet.step_s),
      after_s,
      growths_s: [],
    },
  );
  if (front === null) return withheld('the step at the inlet cannot be fitted');
  const impedance = constants.density_kgpm3 * constants.waveSpeed_mps;
  const value = front.step_Pa / impedance;
  const span = afterTrip(trip, front);
  const [first, end] = range(inlet.samples.time_s, {
    from_s: seat.at_s,
    to_s: seat.at_s + Math.max(free_s, 3 * inlet.step_s),
  });
  const k = indexOfSmallest(inlet.samples.value, first, end);
  const isParted = k >= 0 && Math.min(inlet.samples.value[k], -front.after_Pa) < partingLevel_Pa;
  const effects: Effect[] = [
    ['wave-speed', -value * waveSpeedDoubt(facts)],
    ['method', together(front.stepUncertainty_Pa / impedance, 0.11 * value + 0.012)],
  ];
  if (!isParted)
    return stated('inletReverseVelocity', {
      value,
      method: 'fall at the inlet over density x wave speed',
      span,
      effects,
    });
  return stated('inletReverseVelocity', {
    value,
    least: 0,
    high: 2 * value + 1,
    method: 'inlet cavitated: lower bound',
    span,
    effects,
  });
}

/** Where samples of the inlet are missing at its step: at most what the column can have reached, if that is known. */
function atMost(facts: Facts): Result {
  const { reach } = facts;
  if (reach === null) return withheld('samples of the inlet missing at its step');
  return stated('inletReverseVelocity', {
    value: Math.min(reach.likely_mps, reach.fastestAtSeat_mps),
    low: 0,
    high: reach.fastestAtSeat_mps,
    bound: 'upper',
    method: `at most what the column can have reached: ${lackWords(facts)} at the seating`,
    effects: [],
  });
}
