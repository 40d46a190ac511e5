/** One rig of the study judged at every rate: each figure of each leg against what the plant knows. */
import { analyse } from '../../daemon/analysis/analyse.ts';
import type { LegResults, LegVerdict, SeverityClass } from '../../daemon/analysis/verdict.ts';
import { figures } from '../support/accuracy.ts';
import type { RigKind } from '../support/random-rig.ts';
import { recordCourse, showCourse } from './as-recorded.ts';
import { type Course, type LegCourse, playTrip } from './course.ts';
import { drawRig, type InstrumentSet } from './rig-in-error.ts';
import type { Judged } from './statistics.ts';

/** One leg of one trip at one rate. A figure is null when it was withheld; it is absent when the plant has no truth for it. */
export interface TripRow {
  readonly seed: number;
  readonly leg: number;
  readonly legs: number;
  readonly rate_Hz: number;
  readonly kind: RigKind;
  readonly isWide: boolean;
  readonly instruments: InstrumentSet;
  readonly hasCavitated: boolean;
  /** Samples on the plateau by the true geometry: below 8 the rig's rate is not adequate. */
  readonly perPlateau: number;
  readonly figures: Partial<Record<keyof LegResults, Judged | null>>;
  readonly severity: SeverityClass;
  /** Class by the velocity that the plant's valve really stopped; null without a seating. */
  readonly trueSeverity: SeverityClass | null;
  /** Whether the class is wrong, and whether it is where even an interval of twice the width would have told. */
  readonly isWrong: boolean;
  readonly isFarOff: boolean;
}

const judgement = { revision: 1, software: 'test', reason: 'truth' } as const;

/** Rows of one rig at all rates; none when the drawn rig does not trip. */
export function tripRows(seed: number, rates: readonly number[], instruments: InstrumentSet): TripRow[] {
  const rig = drawRig(seed, instruments);
  const course = playTrip(rig.spec);
  if (course === null) return [];
  const shown = showCourse(course, rig);
  return rates.flatMap((rate_Hz) => {
    const verdict = analyse(recordCourse(course, rig, shown, rate_Hz), judgement);
    return rig.legs.map((leg, k) => {
      const { length_m } = course.spec.legs[k].downstream;
      const { waveSpeed_mps } = course.legs[k].column;
      const perPlateau = (2 * rate_Hz * (length_m - course.spec.legs[k].taps.outlet_m)) / waveSpeed_mps;
      return {
        seed,
        leg: k,
        legs: rig.legs.length,
        rate_Hz,
        kind: leg.kind,
        isWide: rig.isWide,
        instruments,
        hasCavitated: course.legs[k].truth.hasCavitated,
        perPlateau: rounded(perPlateau),
        ...judgedRow(verdict.legs[k], course, k),
      };
    });
  });
}

function judgedRow(verdict: LegVerdict, course: Course, k: number) {
  const truths = truthsOf(course, k);
  const judged: Partial<Record<keyof LegResults, Judged | null>> = {};
  for (const { name, scale, isRelative } of figures) {
    const truth = truths[name];
    if (truth === undefined) continue;
    const result = verdict.results[name];
    const unit = scale / (isRelative ? Math.abs(truth) : 1);
    judged[name] =
      result.value === null
        ? null
        : {
            error: rounded((result.value - truth) * unit),
            low: rounded((result.low - truth) * unit),
            high: rounded((result.high - truth) * unit),
          };
  }
  return { figures: judged, ...severityOf(verdict, course.legs[k]) };
}

function rounded(value: number): number {
  return Number(value.toPrecision(5));
}

/** The class against the velocity that the valve stopped. */
function severityOf(verdict: LegVerdict, { column, truth }: LegCourse) {
  const { severity } = verdict;
  const { mild_mps, severe_mps } = severity;
  const stopped = truth.seating_s === null ? null : column.stopped_mps;
  const classed = (velocity_mps: number): SeverityClass =>
    velocity_mps < mild_mps ? 'none' : velocity_mps < severe_mps ? 'mild' : 'severe';
  const trueSeverity = stopped === null ? null : classed(stopped);
  const isSure = severity.class !== 'at-limit' && severity.class !== 'unknown';
  const isWrong = isSure && trueSeverity !== null && severity.class !== trueSeverity;
  const equivalent = verdict.results.equivalentReverseVelocity;
  const isFarOff =
    isWrong &&
    stopped !== null &&
    equivalent.value !== null &&
    (stopped > equivalent.value + 2 * (equivalent.high - equivalent.value) ||
      stopped < equivalent.value - 2 * (equivalent.value - equivalent.low));
  return { severity: severity.class, trueSeverity, isWrong, isFarOff };
}

/** Truth of every figure, in its SI unit, from the plant alone. */
function truthsOf(course: Course, k: number): Partial<Record<keyof LegResults, number>> {
  const { truth, column } = course.legs[k];
  const { seating_s, reversal_s, staticAfter_Pa, velocityAtSeating_mps, trip_s } = truth;
  if (seating_s === null || staticAfter_Pa === null || velocityAtSeating_mps === null) return {};
  const { density_kgpm3 } = course.spec.liquid;
  const { length_m } = course.spec.legs[k].downstream;
  const surge_Pa = truth.peakAtValve_Pa - staticAfter_Pa;
  // By its definition, with the plant's own column: its momentum tells the deceleration, its end the inertia.
  const pushed_Pa =
    density_kgpm3 *
    length_m *
    (1 + course.spec.tank.absorption_ratio) *
    Math.max(0, column.slowing_mps2 ?? 0);
  const common = {
    equivalentReverseVelocity: Math.max(0, (surge_Pa - pushed_Pa) / (density_kgpm3 * column.waveSpeed_mps)),
    trip: trip_s,
    seating: seating_s - trip_s,
    approachVelocity: truth.approachVelocity_mps,
    largestReverseVelocity: truth.largestReverseVelocity_mps,
    peak: truth.peakAtValve_Pa,
    staticAfter: staticAfter_Pa,
    surge: surge_Pa,
    surgeRaw: surge_Pa,
    waveSpeed: column.waveSpeed_mps,
  };
  if (reversal_s === null || reversal_s > seating_s) return common;
  const mean = truth.approachVelocity_mps / (reversal_s - trip_s);
  const atReversal = truth.decelerationAtReversal_mps2;
  return {
    ...common,
    inletReverseVelocity: -velocityAtSeating_mps,
    velocityAtSeating: -velocityAtSeating_mps,
    seatingStep: -velocityAtSeating_mps * density_kgpm3 * column.waveSpeed_mps,
    reversal: reversal_s - trip_s,
    reverseFlowTime: seating_s - reversal_s,
    decelerationMean: mean,
    decelerationMeter: mean,
    ...(atReversal === null ? {} : { decelerationAtReversal: atReversal }),
  };
}
