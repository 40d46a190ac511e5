/**
 * One record of the study: a rig with one effect, the record as the recorder would hand it over, the rig file that a
 * careful person without knowledge of the effect would have written, and what really happened.
 */
import { analyse } from '../../../daemon/analysis/analyse.ts';
import type { EventRecord, LegRecord, Series } from '../../../daemon/analysis/record.ts';
import type { LegResults, LegVerdict, SeverityClass } from '../../../daemon/analysis/verdict.ts';
import { leakDischarge_ratio } from '../../../daemon/hydraulics/disc.ts';
import { gridWaveSpeed_mps } from '../../../daemon/hydraulics/parts.ts';
import { effectNamed } from '../../../daemon/virtual-rig/effects/catalogue.ts';
import type { RigSpec } from '../../../daemon/virtual-rig/rig-spec.ts';
import { type RigKind, seeded } from '../../support/random-rig.ts';
import { perfectSensors, type SimulatedTrip } from '../../support/simulate-trip.ts';
import { recordOf } from '../../support/trip-record.ts';
import { oracleRecord } from './oracle.ts';
import { type Played, playTrip } from './play.ts';
import { drawScene, type Scene } from './scene.ts';

/** Open: the study may ask for codes that no flag has yet. */
export type FlagCode = string;

/** What really happened, in SI; null where it did not. Instants on the record's clock. */
export interface RealTruth {
  readonly trip_s: number;
  readonly closingTime_s: number | null;
  readonly seating_s: number | null;
  /** Equivalent, at seating and largest: magnitudes, as the design defines them. */
  readonly equivalent_mps: number | null;
  readonly atSeating_mps: number | null;
  readonly largest_mps: number;
  /** Momentum of the whole column at seating over its mass: what the valve stopped; negative runs back. */
  readonly columnAtSeating_mps: number;
  readonly peak_Pa: number;
  readonly static_Pa: number | null;
  readonly class: SeverityClass | null;
  readonly approach_mps: number;
  /** Of the leg at the valve, on the plant's grid. */
  readonly waveSpeed_mps: number;
  readonly leak_mps: number;
  /** Truth of every figure of a verdict that the plant knows, in the unit of the result. */
  readonly figures: Partial<Record<keyof LegResults, number>>;
}

export interface RealityCase {
  readonly effect: string | null;
  readonly strength: number;
  readonly kind: RigKind;
  readonly rate_Hz: number;
  readonly seed: number;
  readonly rig: RigSpec;
  readonly record: EventRecord;
  /** The same with the effect stated in the rig file; null where the file cannot state it. */
  readonly oracle: EventRecord | null;
  readonly truth: RealTruth;
}

/** Which case: `effect` null is the same rig without any. */
export interface CaseAsk {
  readonly effect: string | null;
  /** In the unit of the effect. */
  readonly strength: number;
  readonly kind: RigKind;
  readonly rate_Hz: number;
  readonly seed: number;
}

/** Plays the case. Equal asks give equal cases; the same rig, noise and sampling under every effect of a seed. */
export function realityCase(ask: CaseAsk): RealityCase {
  const { effect, strength, kind, rate_Hz, seed } = ask;
  const scene = drawScene(kind, seed);
  const rig = effect === null ? scene.rig : effectNamed(effect).apply(scene.rig, strength, [0]);
  const played = playTrip(rig, rate_Hz, seeded(seed + 1)());
  const record = withGaps(recordOfTrip(played, knownRig(scene, rig, effect), scene), rig, played, seed);
  return {
    ...ask,
    rig,
    record,
    oracle: effect === null ? null : oracleRecord(record, effect, strength, rig),
    truth: truthOf(rig, played),
  };
}

export function judge(record: EventRecord): LegVerdict {
  return analyse(record, { revision: 1, software: 'test', reason: 'reality' }).legs[0];
}

/** The rig that the person who wrote the file saw: a long main is no secret, nor the material of the leg. */
function knownRig({ rig: plain }: Scene, rig: RigSpec, effect: string | null): RigSpec {
  const seen = effect === 'column-separation' || effect === 'plastic-wall';
  return seen ? rig : plain;
}

function recordOfTrip(
  { time_s, readings, contact, truth, beforeSeating_Pa }: Played,
  rig: RigSpec,
  scene: Scene,
) {
  const trip: SimulatedTrip = {
    time_s,
    legs: [
      {
        outlet_Pa: readings['outlet'],
        inlet_Pa: readings['inlet'],
        mid_Pa: readings['outlet'],
        meter_mps: readings['meter'],
        opening_ratio: new Float64Array(time_s.length),
        beforeSeating_Pa,
        truth,
      },
    ],
    tank_Pa: readings['tank'],
    contact,
    trip_s: truth.trip_s,
  };
  return recordOf(trip, rig.plant, { ...perfectSensors, ...scene.sensors }, scene.knowledge);
}

/** A line that is silent, and frames that never came: those samples are not in the record, and counted. */
function withGaps(record: EventRecord, rig: RigSpec, { truth }: Played, seed: number): EventRecord {
  const { silence_s = 0, lost_ratio = 0 } = rig;
  if (silence_s === 0 && lost_ratio === 0) return record;
  const random = seeded(seed * 31 + 7);
  // Across the seating or next to it: it lies in the gap, or up to half the gap's length beside it.
  const middle_s = (truth.seating_s ?? truth.trip_s) + (random() - 0.5) * 2 * silence_s;
  const isGone = (time_s: number) => Math.abs(time_s - middle_s) < silence_s / 2;
  const { time_s } = record.legs[0].outlet;
  const kept: number[] = [];
  for (let k = 0; k < time_s.length; k++) {
    const isLost = lost_ratio > 0 && random() < lost_ratio;
    if (!isLost && !isGone(time_s[k])) kept.push(k);
  }
  const cut = <S extends Series | null>(series: S): S =>
    series === null ? series : { ...series, ...pick(series, kept), lost: series.time_s.length - kept.length };
  const leg = (one: LegRecord): LegRecord => ({
    ...one,
    outlet: cut(one.outlet),
    inlet: cut(one.inlet),
    meter: cut(one.meter),
  });
  return { ...record, legs: record.legs.map(leg), tank: cut(record.tank), contact: cut(record.contact) };
}

function pick({ time_s, value, quality }: Series, kept: readonly number[]) {
  return {
    time_s: Float64Array.from(kept, (k) => time_s[k]),
    value: Float64Array.from(kept, (k) => value[k]),
    quality: Uint8Array.from(kept, (k) => quality[k]),
  };
}

function truthOf(rig: RigSpec, played: Played): RealTruth {
  const { truth, columnAtSeating_mps, leak_mps } = played;
  const figures = figuresOf(rig, played);
  const equivalent_mps = figures.equivalentReverseVelocity ?? null;
  return {
    trip_s: truth.trip_s,
    closingTime_s: truth.seating_s === null ? null : truth.seating_s - truth.trip_s,
    seating_s: truth.seating_s,
    equivalent_mps,
    atSeating_mps: figures.velocityAtSeating ?? null,
    largest_mps: truth.largestReverseVelocity_mps,
    columnAtSeating_mps,
    peak_Pa: truth.peakAtValve_Pa,
    static_Pa: truth.staticAfter_Pa,
    class: equivalent_mps === null ? null : classOf(equivalent_mps),
    approach_mps: truth.approachVelocity_mps,
    waveSpeed_mps: waveSpeedOf(rig),
    leak_mps: Math.max(0, -leak_mps),
    figures,
  };
}

/** Trade rule of the records (from memory): 0.5 and 1.0 ft/s. */
function classOf(velocity_mps: number): SeverityClass {
  if (velocity_mps < 0.1524) return 'none';
  return velocity_mps < 0.3048 ? 'mild' : 'severe';
}

/** Of the section at the valve. */
function waveSpeedOf({ plant }: RigSpec): number {
  const [leg] = plant.legs;
  return gridWaveSpeed_mps(leg.details?.sections?.[0] ?? leg.downstream, plant.dt_s);
}

/** Of a valve that leaks: velocity, and the opening of an orifice without contraction that lets it through. */
function leakOf(rig: RigSpec, leak_mps: number): RealTruth['figures'] {
  const { leak_ratio } = rig.plant.legs[0].valve;
  if (leak_ratio === undefined) return {};
  return { leakVelocity: Math.max(0, -leak_mps), leakArea: leakDischarge_ratio * leak_ratio };
}

function figuresOf(rig: RigSpec, { truth, beforeSeating_Pa, leak_mps }: Played): RealTruth['figures'] {
  const { trip_s, reversal_s, seating_s, staticAfter_Pa, velocityAtSeating_mps } = truth;
  const known = { trip: trip_s, approachVelocity: truth.approachVelocity_mps };
  if (seating_s === null || staticAfter_Pa === null || velocityAtSeating_mps === null) return known;
  const { downstream, taps, details } = rig.plant.legs[0];
  const waveSpeed_mps = waveSpeedOf(rig);
  const impedance = rig.plant.liquid.density_kgpm3 * waveSpeed_mps;
  const surge_Pa = truth.peakAtValve_Pa - staticAfter_Pa;
  // What slows the column over the last 10 ms, at the seat: the tap sees it over the rest of the inertia only.
  const effective_m =
    downstream.length_m * (1 + rig.plant.tank.absorption_ratio + (details?.endInertia_ratio ?? 0));
  const pushed_Pa =
    Math.max(0, staticAfter_Pa - beforeSeating_Pa) * (1 + taps.outlet_m / (effective_m - taps.outlet_m));
  const afterReversal =
    reversal_s === null
      ? {}
      : {
          reversal: reversal_s - trip_s,
          reverseFlowTime: seating_s - reversal_s,
          decelerationMean: truth.approachVelocity_mps / (reversal_s - trip_s),
        };
  return {
    ...known,
    ...afterReversal,
    ...leakOf(rig, leak_mps),
    ...(truth.decelerationAtReversal_mps2 === null
      ? {}
      : { decelerationAtReversal: truth.decelerationAtReversal_mps2 }),
    seating: seating_s - trip_s,
    largestReverseVelocity: truth.largestReverseVelocity_mps,
    velocityAtSeating: Math.max(0, -velocityAtSeating_mps),
    equivalentReverseVelocity: Math.max(0, (surge_Pa - pushed_Pa) / impedance),
    peak: truth.peakAtValve_Pa,
    staticAfter: staticAfter_Pa,
    surge: surge_Pa,
    waveSpeed: waveSpeed_mps,
  };
}
