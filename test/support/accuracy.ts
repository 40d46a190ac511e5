/** Accuracy of the analysis over many random trips: errors and coverage of every figure that the plant knows. */
import { analyse } from '../../daemon/analysis/analyse.ts';
import type { LegResults, LegVerdict } from '../../daemon/analysis/verdict.ts';
import type { PlantSpec } from '../../daemon/hydraulics/network/plant-spec.ts';
import type { LegTruth } from '../../daemon/virtual-rig/plant-truth.ts';
import type { Missing } from './independent-records.ts';
import { normal, type Random, type RigKind, randomRig, seeded, within } from './random-rig.ts';
import { randomSensors, type SensorSet, type SimulatedTrip, simulateTrip } from './simulate-trip.ts';
import { type Knowledge, ordinaryKnowledge, recordOf } from './trip-record.ts';

/** One judged trip. */
export interface Case {
  readonly seed: number;
  readonly kind: RigKind;
  readonly spec: PlantSpec;
  readonly truth: LegTruth;
  readonly verdict: LegVerdict;
  readonly simulated: SimulatedTrip;
  readonly sensors: SensorSet;
}

/** Mix of valves: about that of the table that the errors are printed beside. */
const kinds: readonly RigKind[] = [
  'spring',
  'spring',
  'spring',
  'lever',
  'lever',
  'plain',
  'axial',
  'cushion',
  'cushion',
  'dashpot',
];

/**
 * Rig, instruments and knowledge of one seeded trip. `isWide` draws legs up to 40 m, slow and fast pressure sensors
 * (0.1-2 ms, known to 30 %) and more or less noise (5-50 mbar) in place of the ordinary ones.
 */
export function drawTrip(
  seed: number,
  isWide = false,
): {
  readonly kind: RigKind;
  readonly spec: PlantSpec;
  readonly sensors: SensorSet;
  readonly knowledge: Knowledge;
  readonly random: Random;
} {
  const random = seeded(seed * 7919 + 17);
  normal(random);
  const kind = kinds[seed % kinds.length];
  const rig = randomRig(random, kind, isWide ? [5, 40] : [5, 25]);
  const spec = { ...rig, tank: { ...rig.tank, absorption_ratio: within(random, 0.02, 0.1) } };
  const ordinary = randomSensors(random);
  const known = ordinaryKnowledge(random);
  if (!isWide) return { kind, spec, sensors: ordinary, knowledge: known, random };
  const pressureLag_s = 1e-4 * 20 ** random();
  const sensors = { ...ordinary, pressureLag_s, pressureNoise_Pa: 500 * 10 ** random() };
  const stated_s = pressureLag_s * (1 + 0.15 * normal(random));
  const knowledge = { ...known, pressureLag_s: stated_s, pressureLagHalfWidth_s: 0.3 * stated_s };
  return { kind, spec, sensors, knowledge, random };
}

/** Simulates and judges one seeded trip; the same seed gives the same rig at every rate. */
export function judgeTrip(seed: number, rate_Hz: number, missing: Missing = {}, isWide = false): Case {
  const { kind, spec, sensors, knowledge, random } = drawTrip(seed, isWide);
  const simulated = simulateTrip(spec, { rate_Hz, sensors, random });
  const record = recordOf(simulated, spec, sensors, knowledge, missing);
  const verdict = analyse(record, { revision: 1, software: 'test', reason: 'accuracy' }).legs[0];
  return { seed, kind, spec, truth: simulated.legs[0].truth, verdict, simulated, sensors };
}

/** Whether the trip is of the kind that the table counts: one slam, after the reversal. */
export function isPlain({ truth, spec }: Case): boolean {
  if (truth.seating_s === null || truth.reversal_s === null || truth.peak_s === null) return false;
  const { length_m, waveSpeed_mps } = spec.legs[0].downstream;
  const late_s = truth.peak_s - truth.seating_s;
  // An air cushion may throw the disc back before it ever touches: then the slam is not the seating.
  return late_s < (3 * length_m) / waveSpeed_mps && late_s > -0.002;
}

/** Truth of every figure that the plant knows, in the unit of the result. */
export function truthsOf(one: Case): Partial<Record<keyof LegResults, number>> {
  const { truth, spec, simulated } = one;
  const { seating_s, reversal_s, staticAfter_Pa, velocityAtSeating_mps, trip_s } = truth;
  if (seating_s === null || reversal_s === null || staticAfter_Pa === null || velocityAtSeating_mps === null)
    return {};
  const { length_m, waveSpeed_mps } = spec.legs[0].downstream;
  const tap_m = spec.legs[0].taps.outlet_m;
  const surge_Pa = truth.peakAtValve_Pa - staticAfter_Pa;
  const impedance = spec.liquid.density_kgpm3 * waveSpeed_mps;
  // What slows the column over the last 10 ms, at the seat: the tap sees it over the rest of the length only.
  const pushed_Pa =
    Math.max(0, staticAfter_Pa - simulated.legs[0].beforeSeating_Pa) *
    (1 + tap_m / (1.05 * length_m - tap_m));
  return {
    equivalentReverseVelocity: Math.max(0, (surge_Pa - pushed_Pa) / impedance),
    inletReverseVelocity: -velocityAtSeating_mps,
    seatingStep: -velocityAtSeating_mps * impedance,
    trip: trip_s,
    reversal: reversal_s - trip_s,
    seating: seating_s - trip_s,
    reverseFlowTime: seating_s - reversal_s,
    approachVelocity: truth.approachVelocity_mps,
    largestReverseVelocity: truth.largestReverseVelocity_mps,
    velocityAtSeating: -velocityAtSeating_mps,
    peak: truth.peakAtValve_Pa,
    staticAfter: staticAfter_Pa,
    surge: surge_Pa,
    surgeRaw: surge_Pa,
    decelerationMean: truth.approachVelocity_mps / (reversal_s - trip_s),
    decelerationMeter: truth.approachVelocity_mps / (reversal_s - trip_s),
    waveSpeed: waveSpeed_mps,
    ...(truth.decelerationAtReversal_mps2 === null
      ? {}
      : { decelerationAtReversal: truth.decelerationAtReversal_mps2 }),
  };
}

/** Errors of one figure over many trips. */
export interface Statistic {
  readonly count: number;
  readonly withheld: number;
  readonly median: number;
  readonly ninety: number;
  readonly bias: number;
  /** Share inside the stated interval; null for a figure that claims less (the raw surge). */
  readonly inside: number;
}

/** Median and 90 % of the absolute errors, and the coverage. `relative` divides by the truth. */
export function statisticOf(cases: readonly Case[], name: keyof LegResults, isRelative: boolean): Statistic {
  const errors: number[] = [];
  let inside = 0;
  let withheld = 0;
  for (const one of cases) {
    const truth = truthsOf(one)[name];
    if (truth === undefined) continue;
    const result = one.verdict.results[name];
    if (result.value === null) {
      withheld++;
      continue;
    }
    errors.push((result.value - truth) / (isRelative ? truth : 1));
    if (truth >= result.low && truth <= result.high) inside++;
  }
  const sorted = errors.map(Math.abs).sort((a, b) => a - b);
  const at = (share: number) =>
    sorted[Math.min(sorted.length - 1, Math.floor(share * sorted.length))] ?? Number.NaN;
  return {
    count: errors.length,
    withheld,
    median: at(0.5),
    ninety: at(0.9),
    bias: [...errors].sort((a, b) => a - b)[Math.floor(errors.length / 2)] ?? Number.NaN,
    inside: errors.length === 0 ? Number.NaN : inside / errors.length,
  };
}

/** Valves that are built to close softly. */
export function isSoftenedKind({ kind }: Case): boolean {
  return kind === 'cushion' || kind === 'dashpot';
}

/** The figures compared, with the factor and the unit they are printed in. */
export const figures: readonly {
  readonly name: keyof LegResults;
  readonly scale: number;
  readonly isRelative: boolean;
  readonly unit: string;
}[] = [
  { name: 'trip', scale: 1e3, isRelative: false, unit: 'ms' },
  { name: 'seating', scale: 1e3, isRelative: false, unit: 'ms' },
  { name: 'reversal', scale: 1e3, isRelative: false, unit: 'ms' },
  { name: 'reverseFlowTime', scale: 1e3, isRelative: false, unit: 'ms' },
  { name: 'approachVelocity', scale: 1e3, isRelative: false, unit: 'mm/s' },
  { name: 'largestReverseVelocity', scale: 1e3, isRelative: false, unit: 'mm/s' },
  { name: 'velocityAtSeating', scale: 1e3, isRelative: false, unit: 'mm/s' },
  { name: 'equivalentReverseVelocity', scale: 1e3, isRelative: false, unit: 'mm/s' },
  { name: 'inletReverseVelocity', scale: 1e3, isRelative: false, unit: 'mm/s' },
  { name: 'seatingStep', scale: 1e-2, isRelative: false, unit: 'mbar' },
  { name: 'peak', scale: 1e-2, isRelative: false, unit: 'mbar' },
  { name: 'staticAfter', scale: 1e-2, isRelative: false, unit: 'mbar' },
  { name: 'surgeRaw', scale: 100, isRelative: true, unit: '%' },
  { name: 'surge', scale: 100, isRelative: true, unit: '%' },
  { name: 'decelerationMean', scale: 100, isRelative: true, unit: '%' },
  { name: 'decelerationMeter', scale: 100, isRelative: true, unit: '%' },
  { name: 'decelerationAtReversal', scale: 100, isRelative: true, unit: '%' },
  { name: 'waveSpeed', scale: 100, isRelative: true, unit: '%' },
];
