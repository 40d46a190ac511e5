/** Reads a rig file: the YAML of `rig-schema.ts` -> `RigSpec`, every fault at once with its place in the file. */
import type { Static } from 'typebox';
import { ConfigError, type Fault } from '../../config/fault.ts';
import type { UnitKind } from '../../config/unit-table.ts';
import { findUnit } from '../../config/units.ts';
import { loadYaml } from '../../config/yaml-load.ts';
import { DataError } from '../errors.ts';
import type { ValveSpec } from '../hydraulics/parts.ts';
import { waterDensity_kgpm3, waterVapourPressure_PaAbs } from '../hydraulics/water.ts';
import { withEffect } from './effects/catalogue.ts';
import type { RegisterSpec } from './register-map.ts';
import { rigFileSchema } from './rig-schema.ts';
import type { FaceSpec, RigFault, RigSpec } from './rig-spec.ts';
import type { SensorSpec, SignalName } from './sensors.ts';

type File = Static<typeof rigFileSchema>;

/** Standard acceleration of free fall, in m/s2 (exact by convention, ISO 80000-3). */
const gravity_mps2 = 9.80665;
/** Share of the wire that a stream may fill: beyond, its clock cannot be learned from the arrivals. */
const fullest_ratio = 0.9;
/** Sources of registers that are not sensors. */
const contacts: readonly string[] = ['run-contact', 'pressure-switch'];

const kindOf: Readonly<Record<SignalName, UnitKind>> = {
  outlet: 'pressure',
  inlet: 'pressure',
  mid: 'pressure',
  velocity: 'velocity',
  flow: 'flow',
  opening: 'ratio',
  'tank-pressure': 'pressure',
  'tank-level': 'length',
  temperature: 'temperature',
  'pump-speed': 'rotation',
};

/** Throws ConfigError with every fault of the file. */
export function loadRigFile(file: string): RigSpec {
  const { value, faults, at } = loadYaml(file, rigFileSchema);
  if (value === null) throw new ConfigError(faults);
  const found: Fault[] = [];
  const report = (path: string, message: string) => {
    found.push({ severity: 'fault', file, place: at(path), path, message });
  };
  const spec = resolve(value, report);
  if (found.length > 0) throw new ConfigError(found);
  const changed = withEffects(spec, value.effects, report);
  if (found.length > 0) throw new ConfigError(found);
  return changed;
}

/** The rig with each effect that its file names, in their order. */
function withEffects(spec: RigSpec, effects: readonly string[], report: Report): RigSpec {
  let changed = spec;
  for (const [i, text] of effects.entries()) {
    try {
      changed = withEffect(changed, text);
    } catch (error) {
      if (!(error instanceof DataError)) throw error;
      report(`effects[${i}]`, error.message);
    }
  }
  return changed;
}

type Report = (path: string, message: string) => void;

function resolve(file: File, report: Report): RigSpec {
  const legs = file.legs.map(({ id }) => id);
  const sensors = file.sensors.map((sensor, i) => resolveSensor(sensor, i, file, report));
  const legIndex = (id: string, path: string) => choose(id, legs, 'leg', path, report);
  return {
    name: file.name,
    seed: file.seed,
    transport: file.transport,
    plant: resolvePlant(file),
    sensors,
    lines: file.lines.map((line, i) => resolveLine(line, `lines[${i}]`, sensors, report)),
    cycle: {
      legs: file.cycle.legs.map((open, i) => open.map((id, j) => legIndex(id, `cycle.legs[${i}][${j}]`))),
      pause_s: file.cycle.pause,
      stagger_s: file.cycle.stagger,
      settle_s: file.cycle.settle,
      giveUp_s: file.cycle.giveUp,
      drain_m3ps: file.cycle.drain,
      start_Pa: file.cycle.start,
      contactDelay_s: file.cycle.contactDelay,
      trips: file.cycle.trips ?? null,
    },
    faults: file.faults.map((fault) => resolveFault(fault)),
  };
}

/** Index of `id` in `ids`; reports and returns 0 when it is not there. */
function choose(id: string, ids: readonly string[], what: string, path: string, report: Report): number {
  const index = ids.indexOf(id);
  if (index < 0) report(path, `found "${id}"; a ${what} of this file is allowed: ${ids.join(', ')}`);
  return Math.max(0, index);
}

function pipeSpec(pipe: File['legs'][number]['upstream']) {
  return {
    length_m: pipe.length,
    bore_m: pipe.bore,
    waveSpeed_mps: pipe.waveSpeed,
    friction_ratio: pipe.friction,
    hasCavities: pipe.cavities,
  };
}

function resolvePlant(file: File): RigSpec['plant'] {
  const { temperature } = file.liquid;
  return {
    dt_s: file.step,
    gravity_mps2,
    liquid: {
      density_kgpm3: waterDensity_kgpm3(temperature),
      vapourPressure_PaAbs: waterVapourPressure_PaAbs(temperature),
      temperature_K: temperature,
    },
    atmosphere_PaAbs: file.atmosphere,
    suction: {
      level_m: file.suction.level,
      entryLoss_ratio: file.suction.entryLoss,
      absorption_ratio: file.suction.absorption,
    },
    pumps: file.pumps.map((pump) => ({
      suction: pipeSpec(pump.suction),
      discharge: pipeSpec(pump.discharge),
      ratedFlow_m3ps: pump.flow,
      ratedHead_m: pump.head,
      ratedSpeed_radps: pump.speed,
      efficiency_ratio: pump.efficiency,
      mechanicalLoss_ratio: pump.mechanicalLoss,
      inertia_kgm2: pump.inertia,
      motor: {
        breakdownTorque_ratio: pump.motor.breakdownTorque,
        breakdownSlip_ratio: pump.motor.breakdownSlip,
        noLoadSpeed_ratio: pump.motor.noLoadSpeed,
      },
    })),
    legs: file.legs.map((leg) => ({
      id: leg.id,
      upstream: pipeSpec(leg.upstream),
      downstream: pipeSpec(leg.downstream),
      throttle_ratio: leg.throttle,
      exitLoss_ratio: leg.exitLoss,
      taps: {
        outlet_m: leg.taps.outlet,
        inlet_m: leg.taps.inlet,
        mid_m: leg.taps.mid,
        meter_m: leg.taps.meter,
      },
      valve: valveSpec(leg.valve),
    })),
    tank: {
      pressure_Pa: file.tank.pressure,
      airVolume_m3: file.tank.air,
      level_m: file.tank.level,
      surface_m2: file.tank.surface,
      polytropic_ratio: file.tank.exponent,
      relaxation_s: file.tank.relaxation ?? null,
      absorption_ratio: file.tank.absorption,
    },
    pressureSwitch: {
      setPoint_Pa: file.pressureSwitch.setPoint,
      hysteresis_Pa: file.pressureSwitch.hysteresis,
      contactorDelay_s: file.pressureSwitch.contactor,
    },
  };
}

function valveSpec(valve: File['legs'][number]['valve']): ValveSpec {
  const { lever, spring, packing, cushion, dashpot } = valve;
  return {
    disc: {
      diameter_m: valve.diameter,
      arm_m: valve.arm,
      stop_rad: valve.stop,
      seatTilt_rad: valve.seatTilt,
      inertia_kgm2: valve.inertia,
      weight_N: valve.weight,
      contraction_ratio: valve.contraction,
      gap_ratio: valve.gap,
      bodyLoss_ratio: valve.bodyLoss,
      openForce_ratio: valve.openForce,
    },
    lever: lever === undefined ? null : { moment_Nm: lever.moment, angle_rad: lever.angle },
    spring: spring === undefined ? null : { preload_Nm: spring.preload, rate_Nmprad: spring.rate },
    packing: { friction_Nm: packing?.friction ?? 0, damping_Nms: packing?.damping ?? 0 },
    cushion:
      cushion === undefined
        ? null
        : {
            clearance_m3: cushion.clearance,
            piston_m2: cushion.piston,
            arm_m: cushion.arm,
            polytropic_ratio: cushion.exponent,
            orifice_m2: cushion.orifice,
            refill_m2: cushion.refill,
            discharge_ratio: cushion.discharge,
          },
    dashpot:
      dashpot === undefined ? null : { coefficient_Nms2: dashpot.coefficient, engage_rad: dashpot.engage },
    seatDamping_Nms: valve.seatDamping.coefficient,
    seatDampingReach_rad: valve.seatDamping.reach,
    subSteps: cushion === undefined ? 4 : 8,
  };
}

function resolveSensor(sensor: File['sensors'][number], i: number, file: File, report: Report): SensorSpec {
  const path = `sensors[${i}]`;
  if (file.sensors.findIndex(({ id }) => id === sensor.id) < i) {
    report(`${path}.id`, `found "${sensor.id}" a second time; every sensor needs an id of its own`);
  }
  let of = 0;
  if ('leg' in sensor) {
    const legs = file.legs.map(({ id }) => id);
    of = choose(sensor.leg, legs, 'leg', `${path}.leg`, report);
  } else if ('pump' in sensor) {
    of = sensor.pump - 1;
    if (of >= file.pumps.length) {
      report(`${path}.pump`, `found pump ${sensor.pump}; 1 to ${file.pumps.length} are allowed`);
    }
  }
  return {
    id: sensor.id,
    signal: sensor.measures,
    of,
    lag_s: sensor.lag,
    noise: sensor.noise ?? 0,
    hum: sensor.hum ?? 0,
    hum_Hz: sensor.humFrequency,
    offset: sensor.offset ?? 0,
    gain_ratio: sensor.gain,
    range: sensor.range,
    bits: sensor.bits ?? null,
    update_s: sensor.update,
  };
}

function resolveLine(
  line: File['lines'][number],
  path: string,
  sensors: readonly SensorSpec[],
  report: Report,
): FaceSpec {
  const characterBits = line.format === '8N1' ? 10 : 11;
  const base = { id: line.id, port: line.port, baud: line.baud, characterBits };
  const ids = sensors.map(({ id }) => id);
  if (line.face === 'modbus') {
    const units = line.units.map((unit, i) => ({
      unit: unit.unit,
      turnaround_s: unit.turnaround,
      maxRegisters: unit.maxRegisters,
      registers: unit.registers.map((register, j) =>
        resolveRegister(register, `${path}.units[${i}].registers[${j}]`, sensors, report),
      ),
      ...(unit.memory === undefined ? {} : { memory: unit.memory }),
    }));
    return { face: 'modbus', ...base, speaks: line.speaks, units };
  }
  for (const [i, id] of line.channels.entries()) choose(id, ids, 'sensor', `${path}.channels[${i}]`, report);
  const isWide = line.sampleBits === '24';
  const scan_bytes = 2 + line.channels.length * (isWide ? 3 : 2) + 18 / line.scansPerFrame;
  const load_ratio = (scan_bytes * line.rate * characterBits) / line.baud;
  if (load_ratio > fullest_ratio) {
    report(
      `${path}.baud`,
      `found ${line.baud}; this stream fills it to ${Math.round(load_ratio * 100)} %: ` +
        `${Math.ceil((line.baud * load_ratio) / fullest_ratio / 100) * 100} or more is allowed`,
    );
  }
  return {
    face: 'converter',
    ...base,
    converter: {
      rate_Hz: line.rate,
      clockError_ratio: line.clockError,
      scansPerFrame: line.scansPerFrame,
      isWide,
    },
    channels: line.channels,
  };
}

type FileRegister = Extract<File['lines'][number], { face: 'modbus' }>['units'][number]['registers'][number];

function resolveRegister(
  register: FileRegister,
  path: string,
  sensors: readonly SensorSpec[],
  report: Report,
): RegisterSpec {
  const sources = typeof register.shows === 'string' ? [register.shows] : register.shows;
  const ids = sensors.map(({ id }) => id);
  for (const source of sources) {
    if (!contacts.includes(source)) choose(source, [...contacts, ...ids], 'sensor', `${path}.shows`, report);
  }
  const isBitTable = register.table === 'discrete' || register.table === 'coil';
  if (isBitTable !== (register.type === 'bit')) {
    report(
      `${path}.type`,
      `found ${register.type}; ${isBitTable ? 'bit' : 'any type but bit'} is allowed in this table`,
    );
  }
  if (sources.length > 1 && register.type !== 'uint16') {
    report(`${path}.type`, `found ${register.type}; a status word is allowed to be uint16`);
  }
  const sensor = sensors.find(({ id }) => id === sources[0]);
  let scale = register.resolution;
  let offset = 0;
  if (register.unit !== undefined && sensor !== undefined) {
    const kind = kindOf[sensor.signal];
    const unit = findUnit(kind, register.unit);
    if (unit === null) report(`${path}.unit`, `found "${register.unit}"; a unit of ${kind} is allowed`);
    scale *= unit?.factor ?? 1;
    offset = unit?.offset ?? 0;
  }
  const { table, address, type, wordOrder } = register;
  return { table, address, type, wordOrder, sources, scale, offset };
}

function resolveFault(fault: File['faults'][number]): RigFault {
  switch (fault.kind) {
    case 'line':
      return { line: fault.line, bitErrors_ratio: fault.bitErrors, lostBytes_ratio: fault.lostBytes };
    case 'unit':
      return {
        line: fault.line,
        unit: fault.unit,
        isDead: fault.dead,
        late_ratio: fault.late,
        latest_s: fault.latest,
      };
    case 'frozen':
      return { sensor: fault.sensor, fault: { kind: 'frozen' } };
    case 'clipped':
      return { sensor: fault.sensor, fault: { kind: 'clipped', range: [fault.range[0]!, fault.range[1]!] } };
    case 'spikes':
      return {
        sensor: fault.sensor,
        fault: { kind: 'spikes', rate_Hz: fault.rate, height: fault.height },
      };
  }
}
