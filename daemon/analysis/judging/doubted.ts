/**
 * Results where an instrument is not what the rig file says. What the instrument may be is judged as several instruments, each as if
 * it were known, and a figure holds what all of them say (JCGM 101:2008, 7: the output for each possible input). A figure that no
 * possible instrument lets one read is withheld.
 */
import type { ChannelConfig } from '../../../config/rig.ts';
import { type Facts, gather } from '../finding/facts.ts';
import { type OutletHealth, outletHealth } from '../finding/outlet-health.ts';
import type { FreeLag, ResponseFit } from '../finding/response.ts';
import { findTrip, type Trip } from '../finding/trip.ts';
import { type MetricName, metricNames } from '../metrics.ts';
import { readSignals } from '../reading/leg-signals.ts';
import { restoreLine } from '../reading/restore.ts';
import type { EventRecord, LegRecord, Series } from '../record.ts';
import { isMeasured, withheld } from '../result.ts';
import type { Flag, LegResults, Result } from '../verdict.ts';
import { type LegFigures, legFigures } from './leg-results.ts';
import { flag } from './tap-flags.ts';

/** One leg to be judged. */
export interface Case {
  readonly record: EventRecord;
  readonly leg: LegRecord;
  readonly facts: Facts;
  readonly trip: Trip | null;
  readonly origin_s: number;
}

/** Figures, what they rest on, and what is to be said of the instrument. */
export interface Doubted extends LegFigures {
  readonly facts: Facts;
  readonly flags: readonly Flag[];
  /** Flags that rest on what the instrument does not show. */
  readonly moot?: readonly Flag['code'][];
}

/** Figures that rest on the height of the peak, on the step of the seating, and on when the pressures were as they are shown. */
const ofPeak: readonly MetricName[] = [
  'peakRaw',
  'peak',
  'captureFraction',
  'surgeRaw',
  'surge',
  'surgeOverBefore',
  'equivalentReverseVelocity',
  'ratingMargin',
  'anchorLoad',
];
const ofStep: readonly MetricName[] = ['seatingStep', 'velocityAtSeating', 'inletReverseVelocity'];
const ofCourse: readonly MetricName[] = [
  'reversal',
  'stopTime',
  'reverseFlowTime',
  'largestReverseVelocity',
  'decelerationAtReversal',
  'decelerationMean',
  'sag',
  'minimum',
];

/** The figures of a leg with the doubt that its outlet shows; as they are where it is sound. Never throws. */
export function doubtedResults(one: Case): Doubted {
  const { record, facts, origin_s } = one;
  const plain = { ...legFigures(record, facts, origin_s), facts };
  const { seat, settled, peak, trip } = facts;
  const equivalent = plain.results.equivalentReverseVelocity;
  const isGentle = isMeasured(equivalent) && equivalent.low < record.severity.severe_mps;
  const shown =
    seat === null || settled === null || peak === null
      ? null
      : {
          trip_s: trip?.at_s ?? null,
          level_Pa: settled.level_Pa(seat.at_s),
          peak_Pa: peak.raw_Pa,
          isGentle,
          peakAfter_s: peak.at_s - seat.at_s,
          kneeLate_s: trip?.kneeOutside_s ?? 0,
        };
  const health = outletHealth(facts.signals, seat, shown);
  if (health.kind === 'sound') return { ...plain, flags: [] };
  if (health.kind === 'slower') return slower(one, health.lag);
  if (health.kind === 'line-rings') return ringing(one, health.line);
  if (health.kind === 'misfit') return misfit(plain, health);
  return tooSlow(one, plain, health);
}

const ms = (time_s: number) => `${(time_s * 1e3).toPrecision(2)} ms`;

function statedText({ responseTime_s, responseTimeHalfWidth_s }: ChannelConfig): string {
  return `${ms(responseTime_s)} ± ${ms(responseTimeHalfWidth_s)}`;
}

/** The leg again with another outlet: its facts, with the trip that they give. */
function again(one: Case, change: (series: Series, isOutlet: boolean) => Series): Case {
  const { record, origin_s } = one;
  const leg: LegRecord = {
    ...one.leg,
    outlet: change(one.leg.outlet, true),
    inlet: one.leg.inlet === null ? null : change(one.leg.inlet, false),
  };
  const other: EventRecord = { ...record, legs: record.legs.map((each) => (each === one.leg ? leg : each)) };
  const signals = readSignals(other, leg, origin_s);
  if (signals === null) return one;
  const trip = findTrip(other, [signals], origin_s);
  return { record: other, leg, facts: gather(signals, trip), trip, origin_s };
}

function withLag(series: Series, lag_s: number, halfWidth_s: number): Series {
  return {
    ...series,
    channel: { ...series.channel, responseTime_s: lag_s, responseTimeHalfWidth_s: halfWidth_s },
  };
}

/** The lag is known from the front, to an interval: its ends and its middle are judged. */
function slower(one: Case, { low_s, high_s, lag_s }: FreeLag): Doubted {
  const cases = [lag_s.value, low_s, high_s].map((each) =>
    again(one, (series) => withLag(series, each, 0.05 * each)),
  );
  const text = `The outlet sensor answers in ${ms(low_s)} to ${ms(high_s)}, the rig file says ${statedText(one.leg.outlet.channel)}: the measured time is used. Check the damping set in the transmitter, and the impulse line for a nearly shut valve or dirt.`;
  return { ...together(cases), flags: [flag('response-time-differs', text)] };
}

/** A line that rings: what stood before it is restored, with what its frequency and damping leave open. */
function ringing(one: Case, { instrument }: ResponseFit): Doubted {
  if (instrument.kind !== 'line')
    return { ...legFigures(one.record, one.facts, one.origin_s), facts: one.facts, flags: [] };
  const { natural_Hz, damping_ratio } = instrument;
  const { step_s } = one.facts.signals.outlet;
  const lines = [
    [1, 1],
    [0.98, 0.75],
    [1.02, 1.25],
  ].map(([f, d]) => ({ natural_Hz: f * natural_Hz, damping_ratio: d * damping_ratio }));
  const cases = lines.map((line) =>
    again(one, (series, isOutlet) =>
      isOutlet ? { ...series, value: restoreLine(series, step_s, line) } : series,
    ),
  );
  const text = `The line to the outlet sensor rings at ${natural_Hz.toFixed(0)} Hz (damping ${damping_ratio.toFixed(2)}): taken out of the record. Vent the impulse line, or mount the sensor on the pipe.`;
  return { ...together(cases), flags: [flag('tapping-line-rings', text)] };
}

/** No instrument explains the front: wider by as much as the fit leaves of the step, or withheld. */
function misfit(
  plain: LegFigures & { readonly facts: Facts },
  { overNoise, overStep }: Extract<OutletHealth, { readonly kind: 'misfit' }>,
): Doubted {
  const { results } = plain;
  const surge_Pa = results.surge.value ?? 0;
  const impedance = plain.facts.signals.constants.density_kgpm3 * plain.facts.signals.constants.waveSpeed_mps;
  const height_Pa = (0.1 + 1.5 * overStep) * Math.max(0, surge_Pa);
  const share = 0.2 + 3.5 * overStep;
  const isLost = overStep > 0.5;
  const { area_m2 } = plain.facts.signals.constants;
  const wider = (name: MetricName): Result => {
    const result = results[name];
    if (!isMeasured(result)) return result;
    if (ofStep.includes(name))
      return isLost ? withheld(lost) : widen(result, share * Math.abs(result.value), 0);
    if (name === 'equivalentReverseVelocity') return widen(result, height_Pa / impedance, 0);
    if (name === 'anchorLoad') return widen(result, height_Pa * area_m2, 0);
    if (ofPeak.includes(name) && name !== 'captureFraction') return widen(result, height_Pa);
    return result;
  };
  const text = `The front at seating fits no sharp closing: ${overNoise.toPrecision(2)} times the noise is left (${(100 * overStep).toFixed(0)} % of the step). Likely, in this order: gas in the leg, a valve or pipe that moves on its anchor, a branch or a change of bore that the rig file does not have, an impulse line.`;
  return {
    ...plain,
    results: each(wider),
    flags: [flag('fit-poor', text, isLost ? [...ofStep] : [])],
  };
}

const lost = 'the front at seating fits no sharp closing';

/** How slow the sensor is cannot be told: the instant stays, height and step do not. */
function tooSlow(
  one: Case,
  plain: LegFigures & { readonly facts: Facts },
  health: Extract<OutletHealth, { readonly kind: 'too-slow' | 'nothing-fast' }>,
): Doubted {
  const least_s = health.kind === 'too-slow' ? health.lag.low_s : health.turn_s;
  const trip = tripWithoutKnee(one, health.kind === 'too-slow' ? least_s : 0.5 * least_s);
  const facts = health.kind === 'too-slow' ? seatedAt(one, health.lag, trip) : { ...one.facts, trip };
  const figures = legFigures(one.record, facts, one.origin_s);
  const gone = [...ofPeak, ...ofStep, ...ofCourse];
  const reason = `the outlet sensor may be slower than ${ms(least_s)}: what it hides cannot be told`;
  const shown = plain.results.surgeRaw;
  const least = isMeasured(shown) ? ` It was at least ${(shown.low / 1e5).toFixed(1)} bar.` : '';
  const evidence =
    health.kind === 'too-slow'
      ? `The front at seating rises as through a sensor of ${ms(least_s)} or more`
      : 'The peak is smaller or slower than the sag before it asks for: a very soft closing, or a slow sensor';
  const text = `${evidence}; the rig file says ${statedText(one.leg.outlet.channel)}. Surge and class are not given.${least} Check the damping set in the transmitter, and the impulse line.`;
  return {
    results: each((name) => (gone.includes(name) ? withheld(reason) : figures.results[name])),
    speeds: figures.speeds,
    facts,
    flags: [flag('response-time-differs', text, gone)],
    moot: ['multiple-impacts', 'instruments-misaligned', 'closed-before-reversal'],
  };
}

/**
 * The taps are likely of the same kind, and their knee late by a time that nobody knows: what the contact says is left of the trip, or
 * a knee that may be earlier by as much as is known to be missing.
 */
function tripWithoutKnee({ record, trip, origin_s }: Case, late_s: number): Trip | null {
  const byContact = findTrip(record, [], origin_s);
  if (byContact !== null) return { ...byContact, kneeOutside_s: null };
  return trip === null ? null : { ...trip, low_s: trip.low_s - 5 * late_s };
}

/** The facts with the seating where the free fit has it. */
function seatedAt({ facts }: Case, { best, low_s }: FreeLag, trip: Trip | null): Facts {
  const { seat, signals } = facts;
  if (seat === null) return facts;
  const { tap_m, waveSpeed_mps } = signals.constants;
  const at_s = best.at_s - tap_m / waveSpeed_mps;
  const spread_s = 0.5 * signals.outlet.step_s + 0.1 * low_s;
  return {
    ...facts,
    trip,
    seat: {
      ...seat,
      front: null,
      isSoftened: null,
      rise_s: null,
      at_s,
      uncertainty_s: spread_s,
      early_s: 0,
      late_s: 0,
    },
  };
}

const each = (of: (name: MetricName) => Result): LegResults =>
  Object.fromEntries(metricNames.map((name) => [name, of(name)])) as LegResults;

/** Both ends farther by a half-width that comes from another source, as squares. */
function widen(result: Result, by: number, least = Number.NEGATIVE_INFINITY): Result {
  if (!isMeasured(result)) return result;
  const { value, low, high } = result;
  return {
    ...result,
    low: Math.max(Math.min(least, value), value - Math.hypot(value - low, by)),
    high: value + Math.hypot(high - value, by),
  };
}

/** What all possible instruments say: value and budget of the first, the ends of all; withheld where one of them withholds it. */
function together(cases: readonly Case[]): LegFigures & { readonly facts: Facts } {
  const all = cases.map(({ record, facts, origin_s }) => legFigures(record, facts, origin_s));
  const [first] = all;
  const results = each((name) => {
    const every = all.map(({ results: these }) => these[name]);
    const missing = every.find((result) => !isMeasured(result));
    const [nominal] = every;
    if (missing !== undefined || !isMeasured(nominal)) return missing ?? nominal;
    const given = every.filter(isMeasured);
    return {
      ...nominal,
      low: Math.min(...given.map(({ low }) => low)),
      high: Math.max(...given.map(({ high }) => high)),
    };
  });
  return { results, speeds: first.speeds, facts: cases[0].facts };
}
