/** Plant, sensors, switchgear and faces of one virtual rig, without clocks and ports: the caller says what time it is. */

import type { PlantSpec } from '../hydraulics/network/plant-spec.ts';
import { Converter } from './converter.ts';
import { Cycle, type CyclePhase, type TripRecord } from './cycle.ts';
import { frameGap_s, ModbusBus } from './modbus-unit.ts';
import { ObservedPlant, type TruthfulPlant } from './observed-plant.ts';
import { PacedLine } from './paced-line.ts';
import { Random } from './random.ts';
import { ReversalWindow } from './reversal-window.ts';
import type { FaceSpec, RigFault, RigSpec } from './rig-spec.ts';
import { Sensor } from './sensors.ts';

/** A rig at rest on a busy machine must not collect hold-ups for ever; a trip has a few at most. */
const skipsKept = 64;

/** One face on its wire. `bus` or `converter` is null. */
export interface Face {
  readonly spec: FaceSpec;
  readonly wire: PacedLine;
  readonly bus: ModbusBus | null;
  readonly converter: Converter | null;
}

export interface RigEvents {
  /** A trip has settled. */
  trip(record: TripRecord): void;
}

export class Rig {
  readonly spec: RigSpec;
  readonly plant: TruthfulPlant;
  readonly faces: readonly Face[];
  readonly #sensors = new Map<string, Sensor>();
  readonly #followers: readonly Sensor[];
  readonly #cycle: Cycle;
  readonly #silence: ReversalWindow | null;
  readonly #lossRandom: Random;
  #framesDropped = 0;
  /** Plant time left out by `skip`, in s: clock of the rig - clock of the plant. */
  #skipped_s = 0;
  /** The hold-ups since the last trip was reported: the plant's time at each, and what had been left out before it. */
  #skips: { readonly plant_s: number; readonly before_s: number }[] = [];

  /** Throws DataError or RangeError on a spec that does not hold together. `makePlant` is for tests. */
  constructor(
    spec: RigSpec,
    events: RigEvents,
    makePlant: (plant: PlantSpec) => TruthfulPlant = (plant) => new ObservedPlant(plant),
  ) {
    this.spec = spec;
    this.plant = makePlant(spec.plant);
    for (const sensor of spec.sensors) {
      if (this.#sensors.has(sensor.id)) throw new RangeError(`sensor ${sensor.id} is there twice`);
      this.#sensors.set(sensor.id, new Sensor(sensor, this.plant, new Random(spec.seed, sensor.id)));
    }
    this.#followers = [...this.#sensors.values()];
    this.#cycle = new Cycle(this.plant, spec.cycle, new Random(spec.seed, 'cycle'), (record) => {
      events.trip(record);
      this.#skips = [];
    });
    const legs = spec.plant.legs.map((_, i) => i);
    this.#silence =
      spec.silence_s === undefined ? null : new ReversalWindow(this.plant, legs, spec.silence_s);
    this.#lossRandom = new Random(spec.seed, 'loss');
    this.faces = spec.lines.map((line) => this.#face(line));
    for (const fault of spec.faults) this.setFault(fault);
  }

  get phase(): CyclePhase {
    return this.#cycle.phase;
  }

  /** Rig clock, in s since it was made; runs ahead of the plant's by what was skipped. */
  get time_s(): number {
    return this.plant.time_s + this.#skipped_s;
  }

  /** What was skipped so far, in s. */
  get skipped_s(): number {
    return this.#skipped_s;
  }

  /** Runs the plant until its next step would go beyond `time_s` of the rig's clock, at most `maxSteps`. False: not there yet. */
  advance(time_s: number, maxSteps: number): boolean {
    const { plant } = this;
    const { dt_s } = plant;
    const target_s = time_s - this.#skipped_s;
    for (let step = 0; step < maxSteps; step++) {
      if (plant.time_s + dt_s > target_s) return true;
      plant.step();
      this.#cycle.follow();
      for (const sensor of this.#followers) sensor.follow();
      const isSilent = this.#silence?.follow() ?? false;
      for (const { bus, converter, wire } of this.faces) {
        if (bus !== null) bus.isSilent = isSilent;
        converter?.follow(plant.time_s, dt_s, this.#cycle, (frame, at_s) => {
          if (isSilent || this.#isLost()) this.#framesDropped++;
          else wire.send(frame, at_s + this.#skipped_s);
        });
      }
    }
    return plant.time_s + dt_s > target_s;
  }

  /**
   * The rig's clock when the plant's read `plant_s`, in s: what was left out later does not move it.
   * Right for instants since the last trip that was reported.
   */
  shown_s(plant_s: number): number {
    const next = this.#skips.find((skip) => plant_s <= skip.plant_s);
    return plant_s + (next?.before_s ?? this.#skipped_s);
  }

  /** Lets the rig's clock jump: nothing happened in between, converters leave their scans out. */
  skip(duration_s: number): void {
    this.#skips.push({ plant_s: this.plant.time_s, before_s: this.#skipped_s });
    if (this.#skips.length > skipsKept) this.#skips.shift();
    this.#skipped_s += duration_s;
    for (const { converter } of this.faces) converter?.skip(duration_s);
  }

  #isLost(): boolean {
    const { lost_ratio = 0 } = this.spec;
    return lost_ratio > 0 && this.#lossRandom.uniform() < lost_ratio;
  }

  /** Throws RangeError when there is no such line, unit or sensor. */
  setFault(fault: RigFault): void {
    if ('sensor' in fault) {
      this.#sensor(fault.sensor).setFault(fault.fault);
      return;
    }
    const face = this.face(fault.line);
    if (!('unit' in fault)) {
      const { line, ...values } = fault;
      Object.assign(face.wire.faults, values);
      return;
    }
    const { line, unit, ...values } = fault;
    if (face.bus === null) throw new RangeError(`line ${line} has no units`);
    face.bus.setFaults(unit, values);
  }

  /** Throws RangeError when there is no such line. */
  face(line: string): Face {
    const found = this.faces.find(({ spec }) => spec.id === line);
    if (found !== undefined) return found;
    throw new RangeError(`no line ${line}; allowed: ${this.faces.map(({ spec }) => spec.id).join(', ')}`);
  }

  /** Loss of drive now, as by a power cut. */
  trip(): void {
    this.plant.trip();
  }

  /** Counters of every face, by line id. */
  counters(): Readonly<Record<string, Readonly<Record<string, number>>>> {
    return Object.fromEntries(
      this.faces.map(({ spec, wire, bus, converter }) => [
        spec.id,
        {
          bitsTurned: wire.bitsTurned,
          bytesLost: wire.bytesLost,
          bytesOverrun: wire.bytesOverrun,
          ...(bus?.counters ?? {}),
          ...(converter === null
            ? {}
            : { scansTaken: converter.scansTaken, framesDropped: this.#framesDropped }),
        },
      ]),
    );
  }

  #sensor(id: string): Sensor {
    const found = this.#sensors.get(id);
    if (found !== undefined) return found;
    throw new RangeError(`no sensor ${id}; allowed: ${[...this.#sensors.keys()].join(', ')}`);
  }

  #face(spec: FaceSpec): Face {
    const random = new Random(this.spec.seed, spec.id);
    const wire = new PacedLine(spec, random);
    if (spec.face === 'converter') {
      const sensors = spec.channels.map((id) => this.#sensor(id));
      return { spec, wire, bus: null, converter: new Converter(spec.converter, sensors, 0) };
    }
    const gap_s = frameGap_s(wire.characterTime_s, spec.baud);
    const read = (source: string) => this.#source(source);
    for (const unit of spec.units)
      for (const { sources } of unit.registers) for (const id of sources) read(id);
    const bus = new ModbusBus(spec.units, gap_s, read, random);
    const { lost_ratio } = this.spec;
    if (lost_ratio !== undefined) for (const { unit } of spec.units) bus.setFaults(unit, { lost_ratio });
    return { spec, wire, bus, converter: null };
  }

  /** What a register reads now. */
  #source(source: string): number {
    if (source === 'run-contact') return this.#cycle.runContact;
    if (source === 'pressure-switch') return this.#cycle.pressureSwitch;
    return this.#sensor(source).read(this.plant.time_s, 1);
  }
}
