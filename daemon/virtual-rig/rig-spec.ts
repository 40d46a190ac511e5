/** A virtual rig as a plain object: resolved, SI. `rig-file.ts` makes it from YAML, tests make it themselves. */

import type { PlantSpec } from '../hydraulics/network/plant-spec.ts';
import type { ConverterSpec } from './converter.ts';
import type { CycleSpec } from './cycle.ts';
import type { UnitFaults, UnitSpec } from './modbus-unit.ts';
import type { LineFaults, LineRate } from './paced-line.ts';
import type { SensorFault, SensorSpec } from './sensors.ts';

interface LineBase extends LineRate {
  /** Unique within the rig. */
  readonly id: string;
  /** Name of the port as a path; relative to the rig's folder. Unused over TCP. */
  readonly port: string;
}

export interface BusSpec extends LineBase {
  readonly face: 'modbus';
  /** `tcp`: Modbus TCP on a port of its own, without a wire that takes time. Absent: RTU. */
  readonly speaks?: 'rtu' | 'tcp';
  readonly units: readonly UnitSpec[];
}

export interface StreamSpec extends LineBase {
  readonly face: 'converter';
  readonly converter: ConverterSpec;
  /** Sensor ids in the order of the samples. */
  readonly channels: readonly string[];
}

export type FaceSpec = BusSpec | StreamSpec;

/** One switchable fault. Faults of one target replace each other; the healthy values end them. */
export type RigFault =
  | ({ readonly line: string } & Partial<LineFaults>)
  | ({ readonly line: string; readonly unit: number } & Partial<UnitFaults>)
  | { readonly sensor: string; readonly fault: SensorFault };

export interface RigSpec {
  readonly name: string;
  /** Equal seeds give equal noise, contact delays and faults. */
  readonly seed: number;
  readonly plant: PlantSpec;
  readonly sensors: readonly SensorSpec[];
  readonly lines: readonly FaceSpec[];
  readonly cycle: CycleSpec;
  /** In force from the start. */
  readonly faults: readonly RigFault[];
  /** `auto`: pseudo-terminals, or TCP where there are none. */
  readonly transport: 'auto' | 'pty' | 'tcp';
  /** Every line is silent for so long from each reversal of the flow on, in s. Absent: never. */
  readonly silence_s?: number;
  /** Share of frames and replies that never leave. Absent: none. */
  readonly lost_ratio?: number;
}
