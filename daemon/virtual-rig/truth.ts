/** What really happened in a trip, written beside the run for tests and for the demo's last column; the daemon never looks there. */
import { mkdirSync, renameSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import type { PlantSpec } from '../hydraulics/network/plant-spec.ts';
import { gridWaveSpeed_mps } from '../hydraulics/parts.ts';
import type { TripRecord } from './cycle.ts';
import type { LegTruth } from './plant-truth.ts';

/** Constants of a leg as the plant has them, which a rig file's readers know only roughly. */
export interface LegConstants {
  /** On the plant's grid. */
  readonly waveSpeed_mps: number;
  /** Valve seat to tank. */
  readonly length_m: number;
  /** Effective over geometric length for the column's inertia: the tank's end takes part with its absorption. */
  readonly inertiaRatio: number;
  readonly bore_m: number;
  readonly outletTap_m: number;
}

/** Truth of one leg; instants on CLOCK_MONOTONIC, the clock of `monotonic_s`. */
export type LegTruthOnClock = Readonly<LegTruth> & LegConstants;

/** One file `trip-<nnnn>.json`. Instants are CLOCK_MONOTONIC in s; null where a thing did not happen. */
export interface TripTruth {
  readonly rig: string;
  readonly simulated: true;
  /** 1 for the first trip since the rig was started. */
  readonly trip: number;
  /** Ids of the legs that were open. */
  readonly openLegs: readonly string[];
  /** Motors lose drive. */
  readonly driveLost_s: number;
  readonly contactOpened_s: number;
  readonly switchTripped_s: number | null;
  readonly density_kgpm3: number;
  /** Legs that flowed. */
  readonly legs: readonly LegTruthOnClock[];
  /** The process was held up during this trip, so the wire and this file do not agree to the millisecond. */
  readonly isDisturbed: boolean;
}

/** Moves a record to CLOCK_MONOTONIC; `onClock` is that clock, in s, when the plant's read what it is given. */
export function tripTruth(
  rig: string,
  spec: PlantSpec,
  record: TripRecord,
  onClock: (plant_s: number) => number,
  isDisturbed: boolean,
): TripTruth {
  return {
    rig,
    simulated: true,
    trip: record.trip,
    openLegs: record.openLegs.map((leg) => spec.legs[leg]!.id),
    driveLost_s: onClock(record.driveLost_s),
    contactOpened_s: onClock(record.contactOpened_s),
    switchTripped_s: record.switchTripped_s === null ? null : onClock(record.switchTripped_s),
    density_kgpm3: spec.liquid.density_kgpm3,
    legs: record.truths.map((truth) => ({ ...moved(truth, onClock), ...legConstants(spec, truth.leg) })),
    isDisturbed,
  };
}

/** Throws RangeError when there is no such leg. */
export function legConstants(spec: PlantSpec, leg: string): LegConstants {
  const found = spec.legs.find(({ id }) => id === leg);
  if (found === undefined) throw new RangeError(`no leg ${leg}`);
  return {
    waveSpeed_mps: gridWaveSpeed_mps(found.downstream, spec.dt_s),
    length_m: found.downstream.length_m,
    inertiaRatio: 1 + spec.tank.absorption_ratio,
    bore_m: found.downstream.bore_m,
    outletTap_m: found.taps.outlet_m,
  };
}

/** Every `..._s` of a truth is an instant. */
function moved(truth: LegTruth, onClock: (plant_s: number) => number): LegTruth {
  const entries = Object.entries(truth).map(([key, value]) => [
    key,
    key.endsWith('_s') && typeof value === 'number' ? onClock(value) : value,
  ]);
  return Object.fromEntries(entries) as LegTruth;
}

/** Writes the file whole or not at all and returns its path; the folder is made if need be. */
export function writeTruth(folder: string, truth: TripTruth): string {
  mkdirSync(folder, { recursive: true });
  const path = join(folder, `trip-${String(truth.trip).padStart(4, '0')}.json`);
  writeFileSync(`${path}.tmp`, `${JSON.stringify(truth, null, 1)}\n`);
  renameSync(`${path}.tmp`, path);
  return path;
}
