/** What an effect is: something a real rig does that the plain virtual one does not, with one strength. */
import type { LegSpec } from '../../hydraulics/network/plant-spec.ts';
import type { RigSpec } from '../rig-spec.ts';
import type { SensorSpec } from '../sensors.ts';

export interface Effect {
  readonly name: string;
  /** What the strength counts. */
  readonly unit: string;
  /** Strengths allowed. */
  readonly range: readonly [low: number, high: number];
  /** From barely visible to gross, in `unit`; the third is the one taken when none is named. */
  readonly scale: readonly [number, number, number, number];
  readonly what: string;
  /** What it does to a verdict that does not know of it. */
  readonly does: string;
  readonly source: string;
  /** The rig with it; legs by index. */
  apply(rig: RigSpec, strength: number, legs: readonly number[]): RigSpec;
}

/** Changes some legs of a rig. */
export function withLegs(rig: RigSpec, legs: readonly number[], change: (leg: LegSpec) => LegSpec): RigSpec {
  const changed = rig.plant.legs.map((leg, i) => (legs.includes(i) ? change(leg) : leg));
  return { ...rig, plant: { ...rig.plant, legs: changed } };
}

/** Changes the sensors of some legs that measure one of `signals`. */
export function withSensors(
  rig: RigSpec,
  legs: readonly number[],
  signals: readonly SensorSpec['signal'][],
  change: (sensor: SensorSpec) => SensorSpec,
): RigSpec {
  const sensors = rig.sensors.map((sensor) =>
    signals.includes(sensor.signal) && legs.includes(sensor.of) ? change(sensor) : sensor,
  );
  return { ...rig, sensors };
}

/** Pressures of a leg, and its meter. */
export const pressures = ['outlet', 'inlet', 'mid'] as const;
export const meters = ['velocity', 'flow'] as const;

/** A velocity in the units of a meter: its own, or flow in the bore of its leg. */
export function asMeterReads(rig: RigSpec, sensor: SensorSpec, velocity_mps: number): number {
  if (sensor.signal === 'velocity') return velocity_mps;
  return velocity_mps * (Math.PI / 4) * rig.plant.legs[sensor.of]!.downstream.bore_m ** 2;
}
