/** Whether the tank's clock agrees with the legs': the air is squeezed by the water that the legs bring, when they bring it. */
import { type ColumnFit, fitColumns } from '../../statistics/fit.ts';
import { indexAt, type Samples, valueAt } from '../../statistics/samples.ts';
import { type Estimate, ofInterval, ofRectangle, outsideOf, together } from '../../statistics/uncertainty.ts';
import { average } from '../finding/ring.ts';
import type { Trip } from '../finding/trip.ts';
import type { Channel, LegSignals } from '../reading/leg-signals.ts';
import type { EventRecord } from '../record.ts';
import { standardOf } from '../result.ts';
import type { Flag, LegVerdict } from '../verdict.ts';
import { sureAt } from './sure.ts';
import { clocksDisagree } from './tap-flags.ts';

/** Fitted from so long before the trip to so long after the last seating, in s. */
const before_s = 1.2;
const after_s = 0.8;
/** One period of 50 Hz, and near enough of 60 Hz. */
const block_s = 0.02;
/** Step of the flow's integral, in s. */
const fine_s = 0.005;
/** Exponent taken where none is stated: between 1 and 1.4 (common practice, no source). Over so short a time it hardly matters. */
const exponent = 1.2;

/** Where a leg shows these, water may pass its valve after the seating. */
const restless: readonly Flag['code'][] = ['cavitation-suspected', 'multiple-impacts', 'softened-closure'];

/** Flow into the tank by the legs that flowed, on the record's clock from its origin. */
interface Inflow {
  /** In m3/s. */
  readonly flow: Samples;
  /** In m3, from the first instant. */
  readonly volume: Samples;
  readonly seated_s: number;
  /** What the legs' velocities may be wrong by, over the flow before the trip. */
  readonly doubt_ratio: number;
  /** The same of the velocity just before the seating. */
  readonly lateDoubt_ratio: number;
}

/**
 * p^(-1/n), p absolute, falls straight with the volume that came in, so it is fitted as c0 + c1 volume(t - delay): the flow
 * before the trip, the motion of the column after it, rest from the seating on. The delay beyond what the channel states
 * must be within its doubt. Nothing is said where a flowing leg has no meter or no motion, or the tank hardly rises.
 */
export function lateTank(
  record: EventRecord,
  allSignals: readonly (LegSignals | null)[],
  legs: readonly LegVerdict[],
  trip: Trip | null,
): Flag[] {
  const tank = allSignals.find((signals) => signals !== null)?.tank ?? null;
  if (tank === null || trip === null) return [];
  const inflow = inflowOf(allSignals, legs, trip.at_s);
  if (inflow === null) return [];
  const delay = tankDelay(tank.samples, inflow, trip.at_s, record);
  if (delay === null) return [];
  const { responseTime_s, responseTimeHalfWidth_s, delay_s } = tank.series.channel;
  const half_s = (delay_s[1] - delay_s[0]) / 2;
  const outside_s = outsideOf(delay.value - responseTime_s, [-half_s, half_s]);
  const doubt_s = together(
    delay.uncertainty,
    ofInterval(responseTimeHalfWidth_s),
    ofRectangle(tank.series.halfWidth_s),
    // What the other clocks may be off by.
    ofRectangle((trip.high_s - trip.low_s) / 2),
  );
  if (Math.abs(outside_s) <= sureAt * doubt_s) return [];
  return clocksDisagree(
    `The tank rises ${(Math.abs(outside_s) * 1e3).toFixed(0)} ms ${outside_s > 0 ? 'later' : 'earlier'} than water reaches it`,
  );
}

function inflowOf(
  allSignals: readonly (LegSignals | null)[],
  legs: readonly LegVerdict[],
  trip_s: number,
): Inflow | null {
  const from_s = trip_s - before_s - 0.1;
  const parts: { readonly area_m2: number; readonly before: Before; readonly course: Samples }[] = [];
  let seated_s = trip_s;
  let flow_m3ps = 0;
  let doubt_m3ps = 0;
  let lateDoubt_m3ps = 0;
  for (const [k, { active, results, velocity, flags }] of legs.entries()) {
    const signals = allSignals[k];
    if (!active || signals === null) continue;
    if (flags.some(({ code }) => restless.includes(code))) return null;
    const { approachVelocity, seating, largestReverseVelocity } = results;
    if (signals.meter === null || approachVelocity.value === null || seating.value === null) return null;
    // Without a reverse velocity nothing tells how well the end of the motion is known.
    if (largestReverseVelocity.value === null || velocity.time_s.length < 6) return null;
    // The first point repeats the approach, the last two draw the rest.
    const course = {
      time_s: Float64Array.from(velocity.time_s.slice(1, -2), (t) => t + trip_s),
      value: Float64Array.from(velocity.value.slice(1, -2)),
    };
    const before = courseBefore(signals.meter, trip_s);
    if (before === null) return null;
    const { area_m2 } = signals.constants;
    parts.push({ area_m2, before, course });
    seated_s = Math.max(seated_s, trip_s + seating.value);
    flow_m3ps += area_m2 * approachVelocity.value;
    doubt_m3ps += area_m2 * standardOf(approachVelocity);
    lateDoubt_m3ps += area_m2 * standardOf(largestReverseVelocity);
  }
  if (parts.length === 0 || !(flow_m3ps > 0)) return null;
  const count = Math.ceil((seated_s + after_s + 0.1 - from_s) / fine_s);
  const time_s = new Float64Array(count);
  const flow = new Float64Array(count);
  const volume = new Float64Array(count);
  for (let k = 0; k < count; k++) {
    const t = from_s + k * fine_s;
    time_s[k] = t;
    for (const { area_m2, before, course } of parts) {
      const last = course.time_s.length - 1;
      if (t < trip_s) {
        const elapsed_s = t - trip_s;
        flow[k] +=
          area_m2 *
          (course.value[0] + before.slope_mps2 * elapsed_s + before.bend_mps3 * elapsed_s * elapsed_s);
      } else if (t < course.time_s[last]) flow[k] += area_m2 * (valueAt(course, t) ?? 0);
    }
    if (k > 0) volume[k] = volume[k - 1] + 0.5 * fine_s * (flow[k] + flow[k - 1]);
  }
  return {
    flow: { time_s, value: flow },
    volume: { time_s, value: volume },
    seated_s,
    doubt_ratio: doubt_m3ps / flow_m3ps,
    lateDoubt_ratio: lateDoubt_m3ps / flow_m3ps,
  };
}

/** V(t) - V(trip) = slope (t - trip) + bend (t - trip)^2 before the trip. */
interface Before {
  readonly slope_mps2: number;
  readonly bend_mps3: number;
}

/** Parabola through the meter before the trip, its lag taken out: to second order it shows a course late by that. */
function courseBefore(meter: Channel, trip_s: number): Before | null {
  const seen = average(meter.samples, { from_s: trip_s - before_s, to_s: trip_s }, block_s);
  if (seen.time_s.length < 10) return null;
  const t = seen.time_s.map((at_s) => at_s - trip_s);
  const fit = fitColumns([new Float64Array(t.length).fill(1), t, t.map((x) => x * x)], seen.value);
  if (fit === null) return null;
  const [, slope, bend] = fit.coefficients;
  return { slope_mps2: slope + 2 * bend * meter.series.channel.responseTime_s, bend_mps3: bend };
}

/** Delay of the tank in s; null when there are too few samples or the tank does not rise clearly. */
function tankDelay(tank: Samples, inflow: Inflow, trip_s: number, record: EventRecord): Estimate | null {
  const n = record.tankAir?.polytropic_ratio ?? exponent;
  const span = { from_s: trip_s - before_s, to_s: inflow.seated_s + after_s };
  const seen = average(tank, span, block_s);
  const count = seen.time_s.length;
  if (count < 20 || indexAt(seen.time_s, trip_s) < 10) return null;
  const y = seen.value.map((value) => Math.max(1, value + record.atmosphere_PaAbs) ** (-1 / n));
  const one = new Float64Array(count).fill(1);
  const volume = new Float64Array(count);
  const flow = new Float64Array(count);
  let delay_s = 0;
  let fit: ColumnFit | null = null;
  // y = c0 + c1 volume(t - delay) - c1 flow(t - delay) x (what delay still lacks): a few rounds.
  for (let round = 0; round < 3; round++) {
    for (let k = 0; k < count; k++) {
      volume[k] = valueAt(inflow.volume, seen.time_s[k] - delay_s) ?? 0;
      flow[k] = valueAt(inflow.flow, seen.time_s[k] - delay_s) ?? 0;
    }
    fit = fitColumns([one, volume, flow], y);
    if (fit === null) return null;
    const more_s = -fit.coefficients[2] / fit.coefficients[1];
    if (!(Math.abs(delay_s + more_s) < 0.2)) return null;
    delay_s += more_s;
  }
  if (fit === null) return null;
  const [, slope] = fit.coefficients;
  if (Math.abs(slope) < 8 * fit.sigma * Math.sqrt(fit.inverse[4])) return null;
  const byNoise_s = (fit.sigma * Math.sqrt(fit.inverse[8])) / Math.abs(slope);
  // Velocities off by a share shift the corner by half that share of the way from trip to seating.
  const byVelocity_s = 0.5 * (inflow.doubt_ratio + inflow.lateDoubt_ratio) * (inflow.seated_s - trip_s);
  return { value: delay_s, uncertainty: together(byNoise_s, byVelocity_s) };
}
