/** Cross-checks: what one instrument or one entry of the configuration says against what the others do. */

import { range } from '../../statistics/samples.ts';
import { coverage, ofInterval, ofRectangle, outsideOf, together } from '../../statistics/uncertainty.ts';
import type { Facts } from '../finding/facts.ts';
import { steadyLine } from '../finding/levels.ts';
import { meterDeadTime_s } from '../finding/meter-tail.ts';
import { kneeOf } from '../finding/trip.ts';
import { delayDoubt_s } from '../reading/leg-signals.ts';
import type { Flag } from '../verdict.ts';
import { sureAt } from './sure.ts';
import { clocksDisagree, flag } from './tap-flags.ts';
import { surerSpeed } from './wave-speeds.ts';

/** All cross-checks that need no second leg. */
export function crossChecks(facts: Facts): Flag[] {
  return [
    ...momentum(facts),
    ...meterLag(facts),
    ...lateContact(facts),
    ...lateTap(facts),
    ...lateMeter(facts),
    ...waveSpeed(facts),
  ];
}

/** Whether the column surely rests after the seating: not with a valve that throttles, opens again, or cavitates. */
function isQuiet({ signals, seat, peak }: Facts): boolean {
  if (seat === null || peak === null || seat.isSoftened !== false) return false;
  if (peak.at_s > seat.at_s + 0.75 * signals.constants.ring_s) return false;
  const { time_s, value } = signals.calm;
  for (let k = seat.closure.index; k < value.length && time_s[k] < seat.at_s + 1; k++) {
    if (value[k] < -0.8e5) return false;
  }
  return true;
}

/**
 * Momentum balance: what pushed the column from the trip to rest must equal density x length x approach velocity, and
 * what the seat stopped must equal what was left. A wrong bore, length or scale asks for a column of another length.
 */
function momentum({ motion, signals }: Facts): Flag[] {
  if (motion === null || signals.meter === null || Math.abs(motion.lengthApart_sigmas) <= sureAt) return [];
  const asked_m = motion.length_m.value;
  const given_m = signals.constants.inertiaLength_m;
  return [
    flag(
      'momentum-imbalance',
      `Column fits ${asked_m.toFixed(1)} m; configured ${given_m.toFixed(1)} m. Check leg length, bore and scale of the meter.`,
    ),
  ];
}

/** The meter's decay after seating against its configured response time. */
function meterLag(facts: Facts): Flag[] {
  const { tail, signals } = facts;
  if (tail === null || signals.meter === null) return [];
  const { responseTime_s, responseTimeHalfWidth_s } = signals.meter.series.channel;
  const doubt_s = coverage * together(tail.lag_s.uncertainty, ofInterval(responseTimeHalfWidth_s));
  const apart_s = tail.lag_s.value - responseTime_s;
  if (Math.abs(apart_s) <= Math.max(1.4 * doubt_s, 0.1 * responseTime_s)) return [];
  return [
    flag(
      'meter-lag-differs',
      `After seating the meter decays with ${(tail.lag_s.value * 1e3).toFixed(0)} ms, configured ${(responseTime_s * 1e3).toFixed(0)} ms: the measured one is used.`,
    ),
  ];
}

/** The knee of the pressure must lie within what the contact allows. */
function lateContact({ trip }: Facts): Flag[] {
  if (trip === null || trip.kneeOutside_s === null) return [];
  const late_s = -trip.kneeOutside_s;
  if (Math.abs(late_s) < 0.0035) return [];
  return clocksDisagree(
    `The contact is at least ${(Math.abs(late_s) * 1e3).toFixed(0)} ms ${late_s > 0 ? 'after' : 'before'} the pressure`,
  );
}

/** Inlet and outlet must show the trip within the travel between the taps. */
function lateTap({ trip, signals }: Facts): Flag[] {
  const { inlet, outlet, calm, leg } = signals;
  if (trip === null || inlet === null || leg.inlet === null) return [];
  const seen = (samples: typeof calm, sigma: number, lag_s: number) =>
    kneeOf(samples, sigma, { about_s: trip.at_s, within_s: 0.05, late_s: lag_s });
  const before = seen(inlet.samples, inlet.sigma, inlet.series.channel.responseTime_s);
  const after = seen(calm, outlet.sigma, outlet.series.channel.responseTime_s);
  if (before === null || after === null) return [];
  const travel_s = (leg.inlet.distance_m + leg.outlet.distance_m) / leg.waveSpeed_mps;
  const apart_s = after.value - before.value - travel_s;
  const doubt_s =
    coverage * together(before.uncertainty, after.uncertainty, delayDoubt_s(inlet), delayDoubt_s(outlet));
  const allowed_s = Math.max(0.005, doubt_s) + inlet.series.halfWidth_s + outlet.series.halfWidth_s;
  if (Math.abs(apart_s) <= allowed_s) return [];
  return clocksDisagree(
    `The outlet shows the trip ${(Math.abs(apart_s) * 1e3).toFixed(0)} ms ${apart_s > 0 ? 'after' : 'before'} the inlet`,
  );
}

/** The meter must follow the velocity from the pressure with its lag and its configured delay. */
function lateMeter(facts: Facts): Flag[] {
  const { trip, seat, motion, tail, signals } = facts;
  if (trip === null || seat === null || motion === null || tail === null || signals.meter === null) return [];
  const line = steadyLine(signals.meter.samples, trip.at_s);
  const dead_s = meterDeadTime_s(signals.meter, tail, motion.velocity, {
    trip_s: trip.at_s,
    seat_s: seat.at_s,
    slope_mps2: line?.slope ?? 0,
  });
  if (dead_s === null) return [];
  const [young_s, old_s] = signals.meter.series.channel.delay_s;
  const half_s = (old_s - young_s) / 2;
  const outside_s = outsideOf(dead_s, [-half_s, half_s]);
  const approach_mps = Math.max(0.1, motion.approach_mps.value);
  const closing_s = seat.at_s - trip.at_s;
  const [, end] = range(motion.velocity.time_s, { from_s: trip.at_s, to_s: seat.at_s });
  const reverse_mps = -motion.velocity.value.subarray(0, end).reduce((least, v) => Math.min(least, v), 0);
  const doubt_s = together(
    // A velocity off at the seating by so much moves the whole course by half of it, over the velocity that was there.
    (0.5 * motion.uncertaintyAt(seat.at_s) * closing_s) / approach_mps,
    // A valve that touched later let water through until then.
    ofRectangle((seat.late_s * reverse_mps) / approach_mps),
    // What the fit to a lagging, noisy reading leaves, and a column that does not rest.
    isQuiet(facts) ? 0.003 : 0.006,
    // A lag far from the configured one is known from its end alone.
    tail.lag_s.value > 2 * signals.meter.series.channel.responseTime_s ? tail.lag_s.uncertainty : 0,
  );
  if (Math.abs(outside_s) <= sureAt * doubt_s + signals.meter.step_s) return [];
  return clocksDisagree(
    `The meter follows the pressure ${(Math.abs(outside_s) * 1e3).toFixed(0)} ms ${outside_s > 0 ? 'later' : 'earlier'} than its response time explains`,
  );
}

/** The surer of two taps and ring-down against the configured wave speed and length; a weak ring must differ more. */
function waveSpeed(facts: Facts): Flag[] {
  const { signals, seat, settled } = facts;
  const speed = surerSpeed(facts);
  if (speed === null || seat === null) return [];
  const { leg } = signals;
  const apart = speed.value / leg.waveSpeed_mps - 1;
  const isWeak = speed.by === 'ring-down' && (settled?.ring?.explained ?? 0) < 0.8;
  const doubt =
    sureAt *
    together(
      speed.uncertainty / speed.value,
      ofInterval(leg.waveSpeedHalfWidth_mps) / leg.waveSpeed_mps,
      isWeak ? 0.01 : 0,
    );
  if (Math.abs(apart) <= doubt) return [];
  const gas = apart < 0 ? ' Free gas in the water would do that.' : '';
  const [found, remedy] =
    speed.by === 'ring-down'
      ? ['The ring-down gives', 'Check leg length and wave speed.']
      : ['The front between the two taps gives', 'Check the distances of the taps and the wave speed.'];
  return [
    flag(
      'wave-speed-differs',
      `${found} ${speed.value.toFixed(0)} m/s, the configuration ${leg.waveSpeed_mps.toFixed(0)} m/s. ${remedy}${gas}`,
    ),
  ];
}
