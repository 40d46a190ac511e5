/**
 * What the shut valve lets through: the flow that is left after closure, the opening that would let it through, and how fast the
 * pressure behind the valve falls. A result of its own, apart from the meter's zero, which it cannot be told from by the meter alone.
 */
import { fitLine, lineUncertainty } from '../../statistics/fit.ts';
import { mean, meanOver, range, type Span } from '../../statistics/samples.ts';
import { coverage, type Estimate, together } from '../../statistics/uncertainty.ts';
import type { Facts } from '../finding/facts.ts';
import { shutFrom_s } from '../finding/seat.ts';
import { afterTrip } from '../finding/trip.ts';
import { withheld } from '../result.ts';
import type { Flag, LegResults, Result, Withheld } from '../verdict.ts';
import { noInlet, noMeter, noTrip } from './reasons.ts';
import { stated } from './stated.ts';
import { flag } from './tap-flags.ts';

export type LeakResults = Pick<LegResults, 'leakVelocity' | 'leakArea' | 'staticDecay'>;

const open = withheld('nothing shows that the valve is shut');
const tooShort = withheld('the record ends before outlet and meter settle');

/** A pressure over the valve that only a shut one holds while next to nothing flows, in Pa. */
const held_Pa = 0.2e5;

/** The rest after closure, in s from the origin; why there is none. Without a seating: the last half second of a valve that holds. */
function restOf({ seat, signals, trip }: Facts): Span | Withheld {
  const { time_s } = signals.outlet.samples;
  const last_s = time_s[time_s.length - 1];
  if (trip === null) return noTrip;
  if (seat !== null) {
    const from_s = shutFrom_s(seat) + Math.max(0.4, 8 * signals.constants.ring_s);
    return last_s - from_s < 0.3 ? tooShort : { from_s, to_s: last_s };
  }
  const span = { from_s: Math.max(trip.at_s + 0.5, last_s - 0.5), to_s: last_s };
  const held = signals.inlet === null ? null : meanOver(signals.difference, span);
  return held !== null && held > held_Pa && last_s - span.from_s > 0.3 ? span : open;
}

/** Flow through the shut valve in m/s, backwards positive; a meter that still settles shows none. */
function throughShut({ signals, tail, meter: known }: Facts, rest: Span): Estimate | null {
  const { meter } = signals;
  if (meter === null) return null;
  const { absolute, relative } = meter.series.channel.uncertainty;
  if (tail !== null) {
    const value = -tail.zero_mps.value;
    return { value, uncertainty: together(tail.zero_mps.uncertainty, absolute, relative * value) };
  }
  const lag_s = known?.lag_s.value ?? 0;
  const from_s = Math.max(rest.from_s, Math.min(rest.from_s + 4 * lag_s, rest.to_s - 0.2));
  const [first, end] = range(meter.samples.time_s, { from_s, to_s: rest.to_s });
  const value = mean(meter.samples.value, first, end);
  const line = fitLine(meter.samples, { from_s, to_s: rest.to_s });
  if (value === null || line === null || end - first < 5) return null;
  // What it still moves is what it lacks: lag times slope.
  return {
    value: -value,
    uncertainty: together(
      line.sigma / Math.sqrt(end - first),
      absolute,
      relative * value,
      lag_s * line.slope,
    ),
  };
}

/** Leak flow (m/s), leak area (share of the bore) and fall of the static (Pa/s); withheld with the reason, never throws. */
export function leakResults(facts: Facts): LeakResults {
  const rest = restOf(facts);
  if (!('from_s' in rest)) return { leakVelocity: rest, leakArea: rest, staticDecay: rest };
  const { signals, trip } = facts;
  const span = afterTrip(trip, rest);
  const flow = throughShut(facts, rest);
  const line = fitLine(signals.outlet.samples, rest);
  const staticDecay =
    line === null || line.n < 10
      ? tooShort
      : stated('staticDecay', {
          value: -line.slope,
          method: 'straight line through the settled outlet',
          span,
          effects: [
            // What is left of the ring is no noise: a few independent readings.
            [
              'noise',
              (lineUncertainty(line, line.middle_s) * Math.sqrt(line.n / 8) * 3.5) /
                (rest.to_s - rest.from_s),
            ],
            ['calibration-slope', signals.outlet.series.channel.uncertainty.relative * line.slope],
          ],
        });
  const missing = signals.meter === null ? noMeter : tooShort;
  if (flow === null) return { leakVelocity: missing, leakArea: missing, staticDecay };
  const leakVelocity = stated('leakVelocity', {
    value: Math.max(0, flow.value),
    low: Math.max(0, flow.value - coverage * flow.uncertainty),
    high: Math.max(0, flow.value) + coverage * flow.uncertainty,
    least: 0,
    method: 'meter after closure, once it has settled; its zero is in the interval',
    span,
    effects: [['meter-zero', -flow.uncertainty]],
  });
  return { leakVelocity, leakArea: areaOf(facts, rest, flow), staticDecay };
}

/**
 * Opening that lets the leak through, as a share of the bore: V = share sqrt(2 dp / density), the law of the orifice with its
 * coefficient of contraction in the share (ISO 5167-2; Torricelli).
 */
function areaOf({ signals, trip }: Facts, rest: Span, flow: Estimate): Result {
  if (signals.inlet === null) return noInlet;
  const driving_Pa = meanOver(signals.difference, rest);
  if (driving_Pa === null || driving_Pa < held_Pa)
    return withheld('too little pressure stands over the shut valve');
  const free_mps = Math.sqrt((2 * driving_Pa) / signals.constants.density_kgpm3);
  const value = Math.max(0, flow.value) / free_mps;
  // A tenth for a pressure that changes over the rest.
  const doubt = together(flow.uncertainty / free_mps, 0.1 * value);
  return stated('leakArea', {
    value,
    low: Math.max(0, flow.value / free_mps - coverage * doubt),
    high: value + coverage * doubt,
    least: 0,
    method: 'leak over the velocity that the pressure over the valve drives through an orifice',
    span: afterTrip(trip, rest),
    effects: [
      ['meter-zero', -flow.uncertainty / free_mps],
      ['method', 0.1 * value],
    ],
  });
}

/** A leak beyond what the meter's zero explains. */
export function leakFlag({ signals }: Facts, { leakVelocity, leakArea }: LegResults): Flag[] {
  if (leakVelocity.value === null || signals.meter === null) return [];
  const { absolute } = signals.meter.series.channel.uncertainty;
  if (leakVelocity.low <= 0 || leakVelocity.value < 4 * absolute + 0.02) return [];
  const area =
    leakArea.value === null ? '' : `, through ${(100 * leakArea.value).toPrecision(2)} % of the bore`;
  return [
    flag(
      'valve-leaks',
      `${leakVelocity.value.toFixed(2)} m/s run back through the shut valve${area}, or the meter's zero is off by as much. Check the seat for dirt and wear; read the meter at rest with the leg isolated.`,
    ),
  ];
}
