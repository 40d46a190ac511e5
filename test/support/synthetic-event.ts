/** Made-up closures with the shape of real ones, and the verdicts that would be said of them. */

import type { RigConfig } from '../../config/rig.ts';
import { usualDefinitions } from '../../config/schema-definitions.ts';
import { definitionsUsed } from '../../daemon/analysis/judging/definitions.ts';
import type {
  BudgetPart,
  Flag,
  LegResults,
  LegVerdict,
  Measured,
  Result,
  Verdict,
} from '../../daemon/analysis/verdict.ts';
import { setPoint_Pa, syntheticConfig } from './synthetic-rig.ts';

const density_kgpm3 = 998.2;
const bar = 1e5;

/** What one closure looked like. Times in s after the trip, velocities in m/s. */
export interface Closure {
  readonly leg: string;
  readonly approach_mps: number;
  readonly reversal_s: number;
  readonly seating_s: number;
  readonly largest_mps: number;
  readonly atSeating_mps: number;
  readonly equivalent_mps: number;
  /** Relative half-width of the 95 % intervals. */
  readonly doubt: number;
  readonly isClosed?: boolean;
}

/** The demo pair: a softened swing valve and a quiet axial one. */
export const swing: Closure = {
  leg: 'a',
  approach_mps: 2.98,
  reversal_s: 0.31,
  seating_s: 0.67,
  largest_mps: 1.31,
  atSeating_mps: 0.09,
  equivalent_mps: 0.22,
  doubt: 0.13,
};
export const axial: Closure = {
  leg: 'b',
  approach_mps: 2.67,
  reversal_s: 0.268,
  seating_s: 0.275,
  largest_mps: 0.083,
  atSeating_mps: 0.08,
  equivalent_mps: 0.082,
  doubt: 0.1,
};

function legLength_m(closure: Closure): number {
  return syntheticConfig.legs.find((leg) => leg.id === closure.leg)?.length_m ?? 8;
}

/** Velocity in the leg, positive to the tank. */
export function velocity_mps(closure: Closure, t: number): number {
  const { approach_mps, reversal_s, seating_s, largest_mps, atSeating_mps } = closure;
  if (t <= 0) return approach_mps;
  if (t <= reversal_s) {
    const x = t / reversal_s;
    return approach_mps * (1 - 0.68 * x - 0.32 * x * x);
  }
  if (closure.isClosed === false) return -largest_mps * (1 - Math.exp(-(t - reversal_s) / 0.2));
  if (t >= seating_s) return 0;
  const x = (t - reversal_s) / (seating_s - reversal_s);
  const isSoft = largest_mps > 1.5 * atSeating_mps;
  if (!isSoft) return -atSeating_mps * x;
  const rise = Math.sin((Math.PI / 2) * Math.min(1, x / 0.66));
  const fall =
    x < 0.66 ? 0 : (largest_mps - atSeating_mps) * Math.sin((Math.PI / 2) * ((x - 0.66) / 0.34)) ** 1.4;
  return -(largest_mps * rise - fall);
}

function acceleration_mps2(closure: Closure, t: number): number {
  const h = 0.002;
  if (t > closure.seating_s - h && closure.isClosed !== false) return 0;
  return (velocity_mps(closure, t + h) - velocity_mps(closure, t - h)) / (2 * h);
}

export function tank_Pa(t: number): number {
  return t < 0
    ? setPoint_Pa + 0.12 * bar * t
    : setPoint_Pa + 0.16 * bar * Math.exp(-t / 3) * (1 - Math.exp(-t / 0.2));
}

/** Damped ring of the closed leg, 1 at the seat: a rounded square wave of period 4L/a. */
function ring(closure: Closure, since_s: number): number {
  const period_s = (4 * legLength_m(closure)) / 1240;
  const decay = Math.exp((-0.19 * since_s) / period_s);
  const phase = (2 * Math.PI * since_s) / period_s;
  return decay * Math.max(-1, Math.min(1, 1.4 * Math.cos(phase)));
}

/** Gauge pressure after (`outlet`) or before (`inlet`) the valve. */
export function pressure_Pa(closure: Closure, tap: 'outlet' | 'inlet', t: number): number {
  const column_Pa = density_kgpm3 * legLength_m(closure) * 1.05 * acceleration_mps2(closure, t);
  const slam_Pa = density_kgpm3 * 1275 * closure.equivalent_mps;
  const isSeated = closure.isClosed !== false && t >= closure.seating_s;
  if (tap === 'outlet') {
    if (!isSeated) return tank_Pa(t) + column_Pa + 0.08 * bar * Math.sign(velocity_mps(closure, t));
    const before = tank_Pa(t) + slam_Pa * 1.55 * ring(closure, t - closure.seating_s);
    return before;
  }
  const running = tank_Pa(t) + column_Pa + 0.35 * bar;
  if (!isSeated) return running;
  const since_s = t - closure.seating_s;
  return 1.1 * bar + 2.2 * bar * Math.exp(-since_s / 0.6) - slam_Pa * 0.8 * ring(closure, since_s);
}

function measured(
  value: number,
  unit: string,
  doubt: number,
  method: string,
  from_s = 0,
  to_s = 0.9,
): Measured {
  const half = Math.abs(value) * doubt;
  const budget: readonly BudgetPart[] = [
    { source: 'sensor-lag', share: 0.56, effect: 0.382 * half },
    { source: 'wave-speed', share: 0.31, effect: -0.284 * half },
    { source: 'method', share: 0.12, effect: 0.177 * half },
    { source: 'density', share: 0.01, effect: -0.051 * half },
  ];
  return {
    value,
    unit,
    low: value - half,
    high: value + half,
    method,
    from_s,
    to_s,
    ...(half > 0 ? { budget } : {}),
  };
}

const withheld = (reason: string): Result => ({ value: null, reason });

function results(closure: Closure): LegResults {
  const { reversal_s, seating_s, doubt } = closure;
  const isClosed = closure.isClosed !== false;
  const whenClosed = (result: Result): Result =>
    isClosed ? result : withheld('the valve did not close within the record');
  const static_Pa = tank_Pa(seating_s);
  const surge_Pa = density_kgpm3 * 1275 * closure.equivalent_mps * 1.35;
  const mean = closure.approach_mps / reversal_s;
  const instant = (at_s: number, half_s: number, method: string): Measured => ({
    value: at_s,
    unit: 's',
    low: at_s - half_s,
    high: at_s + half_s,
    method,
    from_s: at_s - 0.02,
    to_s: at_s + 0.02,
  });
  return {
    trip: { ...instant(1234.5, 0.01, 'run contact opened, less its delay'), from_s: -0.02, to_s: 0.02 },
    reversal: instant(reversal_s, 0.004, 'impulse velocity crosses zero'),
    seating: whenClosed(instant(seating_s, 0.0012, 'steepest rise of the outlet pressure, sub-sample')),
    approachVelocity: measured(
      closure.approach_mps,
      'm/s',
      0.012,
      'straight line through the meter, at the trip',
      -0.8,
      0,
    ),
    staticBefore: measured(tank_Pa(0), 'Pa', 0.004, 'straight line through the outlet, at the trip', -0.8, 0),
    staticAfter: whenClosed(
      measured(static_Pa, 'Pa', 0.006, 'settled level of the ring-down', seating_s + 0.05, seating_s + 0.9),
    ),
    peakRaw: whenClosed(
      measured(static_Pa + surge_Pa * 0.97, 'Pa', 0.005, 'largest sample', seating_s, seating_s + 0.05),
    ),
    peak: whenClosed({
      ...measured(
        static_Pa + surge_Pa,
        'Pa',
        0.01,
        'largest sample, corrected for sampling and sensor',
        seating_s,
        seating_s + 0.05,
      ),
      high: static_Pa + surge_Pa * 1.22,
    }),
    minimum: measured(3.9 * bar, 'Pa', 0.01, 'smallest sample', 0, seating_s),
    captureFraction: measured(0.97, '1', 0.02, 'from n_p and the sensor response'),
    surgeRaw: whenClosed(
      measured(surge_Pa * 0.97, 'Pa', 0.01, 'largest sample less static after', seating_s, seating_s + 0.05),
    ),
    surge: whenClosed({
      ...measured(surge_Pa, 'Pa', doubt * 0.3, 'peak less static after', seating_s, seating_s + 0.05),
      high: surge_Pa * 1.22,
    }),
    surgeOverBefore: whenClosed(measured(surge_Pa * 1.02, 'Pa', 0.03, 'peak less static before')),
    sag: measured(0.8 * bar, 'Pa', 0.05, 'static before less the level just before the rise', 0, seating_s),
    seatingStep: whenClosed(
      measured(closure.atSeating_mps * 12.7 * bar, 'Pa', doubt, 'level after less level before seating'),
    ),
    largestReverseVelocity: measured(
      closure.largest_mps,
      'm/s',
      doubt * 0.6,
      'impulse integral, its minimum',
      reversal_s,
      seating_s,
    ),
    velocityAtSeating: whenClosed(
      measured(
        closure.atSeating_mps,
        'm/s',
        doubt * 1.4,
        'seating step over density times wave speed',
        seating_s - 0.01,
        seating_s + 0.01,
      ),
    ),
    equivalentReverseVelocity: whenClosed(
      measured(
        closure.equivalent_mps,
        'm/s',
        doubt,
        '(surge less density times length times deceleration) over density times wave speed',
        seating_s - 0.01,
        seating_s + 0.05,
      ),
    ),
    inletReverseVelocity: withheld('inlet cavitated: lower bound only'),
    closingTime: whenClosed(instant(seating_s, 0.006, 'seating less trip')),
    reverseFlowTime: whenClosed(instant(seating_s - reversal_s, 0.004, 'seating less reversal')),
    stopTime: instant(reversal_s, 0.005, 'reversal less trip'),
    discTravelTime: withheld('no position channel on this leg'),
    decelerationAtReversal: measured(
      mean * 1.36,
      'm/s2',
      0.05,
      '20 ms mean of the impulse velocity slope',
      reversal_s - 0.01,
      reversal_s + 0.01,
    ),
    decelerationMean: measured(mean, 'm/s2', 0.02, 'approach velocity over time to reversal', 0, reversal_s),
    decelerationMeter: withheld('the meter lags by 0.2 s: it cannot follow this deceleration'),
    waveSpeed: whenClosed(
      measured(1262, 'm/s', 0.02, 'ring-down, corrected for end inertia', seating_s, seating_s + 0.4),
    ),
    ringFrequency: whenClosed(
      measured(1240 / (4 * legLength_m(closure)), 'Hz', 0.01, 'fitted ring-down', seating_s, seating_s + 0.4),
    ),
    ringDecay: whenClosed(measured(0.19, 's', 0.1, 'fitted ring-down', seating_s, seating_s + 0.4)),
    reopenings: whenClosed({ ...measured(0, '1', 0, 'counted'), low: 0, high: 0 }),
    leakVelocity: whenClosed({ ...measured(0, 'm/s', 0, 'meter after closure'), high: 0.02 }),
    leakArea: whenClosed({ ...measured(0, '1', 0, 'leak over the free velocity'), high: 0.001 }),
    staticDecay: whenClosed(measured(0.01 * bar, 'Pa/s', 0.1, 'line through the settled outlet')),
    anchorLoad: whenClosed(
      measured(
        (surge_Pa + 3 * bar) * 0.01865,
        'N',
        0.06,
        'outlet less inlet, times bore area',
        seating_s,
        seating_s + 0.05,
      ),
    ),
    ratingMargin: whenClosed(measured(16 * bar - static_Pa - surge_Pa, 'Pa', 0.02, 'rating less peak')),
  };
}

function severityOf(closure: Closure): LegVerdict['severity'] {
  const { version: rule, mild_mps, severe_mps } = syntheticConfig.severity;
  const base = { rule, mild_mps, severe_mps };
  if (closure.isClosed === false) return { ...base, class: 'unknown', words: 'did not close: no class' };
  const low = closure.equivalent_mps * (1 - closure.doubt);
  const high = closure.equivalent_mps * (1 + closure.doubt);
  const soft = closure.largest_mps > 1.5 * closure.atSeating_mps ? ' (softened closure)' : '';
  if (low < mild_mps && high > mild_mps)
    return { ...base, class: 'at-limit', words: `at the limit of mild${soft}` };
  if (low < severe_mps && high > severe_mps)
    return { ...base, class: 'at-limit', words: `at the limit of severe${soft}` };
  if (low >= severe_mps) return { ...base, class: 'severe', words: `severe slam${soft}` };
  if (low >= mild_mps) return { ...base, class: 'mild', words: `mild slam${soft}` };
  return { ...base, class: 'none', words: `no slam${soft}` };
}

function legVerdict(closure: Closure, config: RigConfig): LegVerdict {
  const leg = config.legs.find(({ id }) => id === closure.leg)!;
  const time_s = Array.from({ length: 700 }, (_, index) => -0.2 + index * 0.002);
  const flags: Flag[] = [];
  if (closure.largest_mps > 1.5 * closure.atSeating_mps) {
    flags.push({
      code: 'softened-closure',
      text: 'The stop took 12 ms, longer than 2L/a: the closure is softened and the three reverse velocities differ.',
      withholds: [],
    });
  }
  if (closure.doubt > 0.2) {
    flags.push({
      code: 'sampling-marginal',
      text: '200 samples/s on this leg: the true peak may be up to 0.8 bar higher.',
      withholds: [],
    });
  }
  if (closure.isClosed === false) {
    flags.push({
      code: 'did-not-close',
      text: 'No seating was seen within 8 s of the trip.',
      withholds: ['surge', 'closingTime'],
    });
  }
  const sentence =
    closure.isClosed === false
      ? 'The water kept running back: the valve did not close.'
      : `The water ran back for ${Math.round((closure.seating_s - closure.reversal_s) * 1000)} ms; ${closure.equivalent_mps.toFixed(2)} m/s was left at seating.`;
  return {
    leg: closure.leg,
    valve: leg.valve.id,
    active: true,
    results: results(closure),
    severity: severityOf(closure),
    flags,
    definitions: definitionsUsed(usualDefinitions),
    sentence,
    velocity: { time_s, value: time_s.map((t) => velocity_mps(closure, t)) },
  };
}

function idleVerdict(id: string, config: RigConfig): LegVerdict {
  const reason = 'leg idle';
  const keys = Object.keys(results(swing)) as (keyof LegResults)[];
  return {
    leg: id,
    valve: config.legs.find((leg) => leg.id === id)!.valve.id,
    active: false,
    results: Object.fromEntries(keys.map((key) => [key, withheld(reason)])) as unknown as LegResults,
    severity: { class: 'unknown', words: 'idle', rule: 'v1', mild_mps: 0.1524, severe_mps: 0.3048 },
    flags: [{ code: 'leg-idle', text: 'Leg idle.', withholds: [] }],
    sentence: 'Nothing flowed in this leg.',
    velocity: { time_s: [], value: [] },
  };
}

/** The verdict of an event in which one leg closed and the other stood still. */
export function syntheticVerdict(
  event: string,
  closure: Closure,
  config: RigConfig = syntheticConfig,
): Verdict {
  return {
    event,
    revision: 1,
    software: 'tripwave 0.1.0',
    reason: 'first analysis',
    tripSource: 'contact',
    legs: config.legs.map((leg) =>
      leg.id === closure.leg ? legVerdict(closure, config) : idleVerdict(leg.id, config),
    ),
  };
}
