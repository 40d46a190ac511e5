/** The verdict: a pure function of a record. No clock, no files, no state; the same record gives the same words. */

import { usualDefinitions } from '../../config/schema-definitions.ts';
import { type Facts, gather } from './finding/facts.ts';
import { throttledVelocity } from './finding/motion.ts';
import { findTrip, type Trip } from './finding/trip.ts';
import { definitionsUsed } from './judging/definitions.ts';
import { doubtedResults } from './judging/doubted.ts';
import { flagsOf } from './judging/flags.ts';
import { sentenceOf } from './judging/sentence.ts';
import { severityOf } from './judging/severity.ts';
import { lateTank } from './judging/tank-late.ts';
import { tankRise } from './judging/tank-rise.ts';
import { areTapsSwapped, flag } from './judging/tap-flags.ts';
import { metricNames } from './metrics.ts';
import { type LegSignals, lateBy_s, readSignals } from './reading/leg-signals.ts';
import type { EventRecord, LegRecord } from './record.ts';
import { withheld } from './result.ts';
import type { Flag, LegResults, LegVerdict, Measured, Verdict } from './verdict.ts';

/** What stands at the head of a verdict: its revision, the software that judged, and why it judged (again). */
export interface AnalyseOptions {
  readonly revision: number;
  readonly software: string;
  readonly reason: string;
}

/**
 * Judges every leg of an event. Works with an outlet pressure alone; inlet, meter, tank and contact sharpen it. Times in
 * the results are s after the trip, the trip itself is on the record's clock. Never throws for what a record holds.
 */
export function analyse(record: EventRecord, options: AnalyseOptions): Verdict {
  const origin_s = originOf(record);
  const allSignals = record.legs.map((leg) => readSignals(record, leg, origin_s));
  const trip = findTrip(
    record,
    allSignals.filter((signals) => signals !== null),
    origin_s,
  );
  const judged = record.legs.map((leg, k) => judge(record, leg, allSignals[k], trip, origin_s));
  const byTank = [
    ...tankRise(record, allSignals, judged, trip),
    ...lateTank(record, allSignals, judged, trip),
  ];
  return {
    event: record.id,
    revision: options.revision,
    software: options.software,
    reason: options.reason,
    tripSource: trip?.source ?? 'none',
    legs: compareStatics(judged).map((leg) =>
      leg.active ? { ...leg, flags: [...leg.flags, ...byTank] } : leg,
    ),
  };
}

/**
 * Legs that end in the same tank settle at the same level. Each leg whose level differs from the mean of the others by
 * more than both intervals and 50 mbar (half a metre of height) says so: a zero that drifted, or taps of two legs exchanged.
 */
function compareStatics(legs: readonly LegVerdict[]): LegVerdict[] {
  const levels = legs.map(({ active, results }) =>
    active && results.staticAfter.value !== null ? results.staticAfter : null,
  );
  return legs.map((leg, k) => {
    const own = levels[k];
    const others = levels.filter((level, j) => j !== k && level !== null) as Measured[];
    if (own === null || others.length === 0) return leg;
    const mean = others.reduce((sum, { value }) => sum + value, 0) / others.length;
    const doubt = others.reduce((sum, { low, high }) => sum + (high - low) / 2, 0) / others.length;
    const apart = own.value - mean;
    if (Math.abs(apart) <= Math.max(5000, doubt + (own.high - own.low) / 2)) return leg;
    const text = `This leg settles ${(Math.abs(apart) / 100).toFixed(0)} mbar ${apart > 0 ? 'above' : 'below'} the other, though both end in the same tank: check the zeros of the outlet sensors.`;
    return { ...leg, flags: [...leg.flags, flag('statics-differ', text)] };
  });
}

/** Start of the record: times are counted from here, so that a late clock costs no digits. */
function originOf(record: EventRecord): number {
  let origin_s = Number.POSITIVE_INFINITY;
  for (const { outlet } of record.legs)
    if (outlet.time_s.length > 0) origin_s = Math.min(origin_s, outlet.time_s[0] - lateBy_s(outlet));
  return Number.isFinite(origin_s) ? origin_s : 0;
}

function judge(
  record: EventRecord,
  leg: LegRecord,
  signals: LegSignals | null,
  trip: Trip | null,
  origin_s: number,
): LegVerdict {
  const name = { leg: leg.leg.id, valve: leg.leg.valve.id };
  if (signals === null) {
    const results = allWithheld('fewer than 20 usable outlet samples');
    const flags = [flag('leg-idle', `${leg.outlet.time_s.length} outlet samples: too few to judge.`)];
    return close(record, name, { facts: null, results, flags, isActive: false });
  }
  if (areTapsSwapped(signals, trip)) {
    const reason = 'outlet and inlet are probably swapped';
    const text =
      'The inlet is below the outlet while water flows, and above it when the valve is shut: the taps are probably swapped.';
    return close(record, name, {
      facts: gather(signals, trip),
      results: allWithheld(reason),
      flags: [flag('taps-swapped', text, ['everything'])],
      isActive: true,
    });
  }
  const facts = gather(signals, trip);
  if (!facts.isActive) {
    const flow =
      facts.approach_mps === null ? '' : ` (${facts.approach_mps.value.toFixed(2)} m/s before the trip)`;
    const flags = [flag('leg-idle', `No water was flowing through this leg${flow}.`)];
    return close(record, name, {
      facts,
      results: allWithheld('no water was flowing through this leg'),
      flags,
      isActive: false,
    });
  }
  const doubted = doubtedResults({ record, leg, facts, trip, origin_s });
  const { results, speeds } = doubted;
  const verdict = close(record, name, {
    facts: doubted.facts,
    results,
    flags: [
      ...doubted.flags,
      ...flagsOf(record, doubted.facts, results).filter(
        ({ code }) =>
          doubted.moot?.includes(code) !== true && !doubted.flags.some((said) => said.code === code),
      ),
    ],
    isActive: true,
  });
  return { ...verdict, waveSpeeds: speeds };
}

/** What a leg is judged to be. */
interface Judgement {
  readonly facts: Facts | null;
  readonly results: LegResults;
  readonly flags: readonly Flag[];
  readonly isActive: boolean;
}

function close(
  record: EventRecord,
  name: { readonly leg: string; readonly valve: string },
  { facts, results, flags, isActive }: Judgement,
): LegVerdict {
  const severity = severityOf(isActive ? facts : null, results.equivalentReverseVelocity, record.severity);
  return {
    ...name,
    active: isActive,
    results,
    severity,
    flags,
    definitions: definitionsUsed(record.definitions ?? usualDefinitions),
    sentence: sentenceOf(facts, results, severity, flags),
    velocity: isActive && facts !== null ? velocityHistory(facts) : { time_s: [], value: [] },
  };
}

/** Every result withheld for the same reason. */
export function allWithheld(reason: string): LegResults {
  const none = withheld(reason);
  return Object.fromEntries(metricNames.map((name) => [name, none])) as LegResults;
}

/** At most so many points of the velocity history leave the analysis. */
const mostPoints = 1800;

/** Velocity for drawing: steady before the trip, the motion to the seating, then rest. Empty when it is not known. */
function velocityHistory(facts: Facts): LegVerdict['velocity'] {
  const { motion, trip, seat, back, signals } = facts;
  const time_s: number[] = [];
  const value: number[] = [];
  if (motion === null || trip === null || seat === null || back === null) return { time_s, value };
  const late_s = signals.constants.lag_s + signals.constants.tap_m / signals.constants.waveSpeed_mps;
  const put = (at_s: number, velocity: number) => {
    time_s.push(at_s - trip.at_s);
    value.push(velocity);
  };
  put(trip.at_s - 0.5, motion.approach_mps.value);
  put(trip.at_s, motion.approach_mps.value);
  const throttled = throttledVelocity(signals, seat, back, motion);
  const stop_s = Math.min(seat.at_s, (throttled.time_s[0] ?? Number.POSITIVE_INFINITY) - late_s);
  const all = motion.velocity;
  const stride = Math.max(1, Math.ceil(all.time_s.length / mostPoints));
  for (let k = 0; k < all.time_s.length; k += stride) {
    const at_s = all.time_s[k] - late_s;
    if (at_s > trip.at_s && at_s < stop_s) put(at_s, all.value[k]);
  }
  throttled.time_s.forEach((at_s, k) => {
    if (at_s - late_s < seat.at_s) put(at_s - late_s, throttled.value[k]);
  });
  put(seat.at_s, value[value.length - 1]);
  put(seat.at_s, 0);
  put(seat.at_s + 0.5, 0);
  return { time_s, value };
}
