/** Random two-legged rigs for the hardware-in-the-loop study: what they are, and what a technician would have written down. */
import { join } from 'node:path';
import type { ChannelConfig, LegConfig, RigConfig } from '../../config/rig.ts';
import type { LegSpec, PlantSpec } from '../../daemon/hydraulics/network/plant-spec.ts';
import { gridWaveSpeed_mps } from '../../daemon/hydraulics/parts.ts';
import type { RigSpec } from '../../daemon/virtual-rig/rig-spec.ts';
import type { SensorSpec } from '../../daemon/virtual-rig/sensors.ts';
import { normal, type Random, type RigKind, randomRig, seeded, within } from '../support/random-rig.ts';

export interface HilRig {
  readonly seed: number;
  /** Valve kind per leg id. */
  readonly kinds: Readonly<Record<string, RigKind>>;
  readonly spec: RigSpec;
  readonly config: RigConfig;
}

const kinds: readonly RigKind[] = ['spring', 'lever', 'plain', 'cushion', 'axial', 'dashpot'];
/** One step of the plant is one scan of the converter. */
const dt_s = 0.2e-3;
const counts = 32767;
/** Wide enough for the hardest slam of these rigs. */
const span_Pa: readonly [number, number] = [-1e5, 63e5];
/** Time to fill, besides that of the random rig, in s. */
const extraFill_s = 2;
/** A direct start to full speed takes about a second. */
const motor = { breakdownTorque_ratio: 2.5, breakdownSlip_ratio: 0.08, noLoadSpeed_ratio: 1.003 };
const meterSpan_mps = 6;

/** The same seed gives the same rig. `folder` holds its ports and its data. */
export function hilRig(seed: number, folder: string): HilRig {
  const random = seeded(seed * 7919 + 5);
  // The first draws of neighbouring seeds resemble each other.
  for (let i = 0; i < 8; i++) random();
  const kindA = kinds[seed % kinds.length]!;
  const kindB = kinds[(seed + 1 + Math.floor(random() * (kinds.length - 1))) % kinds.length]!;
  const plant = plantOf(random, kindA, kindB);
  const meterLag_s = within(random, 0.1, 0.5);
  const pressureLag_s = within(random, 0.3e-3, 1e-3);
  return {
    seed,
    kinds: { A: kindA, B: kindB },
    spec: rigSpec(seed, plant, random, meterLag_s, pressureLag_s),
    config: rigConfig(seed, plant, random, meterLag_s, folder),
  };
}

/** Pump and tank of the first leg's rig; the second leg has another valve, length and throttle on the same bore. */
function plantOf(random: Random, kindA: RigKind, kindB: RigKind): PlantSpec {
  const first = randomRig(random, kindA);
  let second = randomRig(random, kindB);
  while (second.legs[0]!.downstream.bore_m !== first.legs[0]!.downstream.bore_m)
    second = randomRig(random, kindB);
  const leg = (spec: PlantSpec, id: string): LegSpec => {
    const own = spec.legs[0]!;
    return { ...own, id, taps: { ...own.taps, mid_m: own.downstream.length_m / 2 } };
  };
  // Two more seconds to fill: the meter must have forgotten the start of the pump before the trip.
  const { tank } = first;
  const bore_m = first.legs[0]!.downstream.bore_m;
  const airVolume_m3 = tank.airVolume_m3 + extraFill_s * 2.7 * (Math.PI / 4) * bore_m ** 2;
  const start_PaAbs =
    (tank.pressure_Pa + first.atmosphere_PaAbs) * (tank.airVolume_m3 / airVolume_m3) ** tank.polytropic_ratio;
  const pumps = first.pumps.map((pump) => ({ ...pump, motor }));
  return {
    ...first,
    dt_s,
    pumps,
    tank: { ...tank, airVolume_m3, pressure_Pa: start_PaAbs - first.atmosphere_PaAbs },
    legs: [leg(first, 'A'), leg(second, 'B')],
  };
}

function rigSpec(
  seed: number,
  plant: PlantSpec,
  random: Random,
  meterLag_s: number,
  pressureLag_s: number,
): RigSpec {
  const noise_Pa = within(random, 1e3, 3e3);
  const hum_Hz = random() < 0.5 ? 50 : 60;
  const bits = [13, 14, 16][Math.floor(random() * 3)]!;
  const pressure = (id: string, signal: SensorSpec['signal'], of: number): SensorSpec => ({
    id,
    signal,
    of,
    lag_s: pressureLag_s,
    noise: noise_Pa,
    hum: within(random, 0, 3e3),
    hum_Hz,
    offset: within(random, -1e3, 1e3),
    gain_ratio: 1,
    range: span_Pa,
    bits,
    update_s: 0,
  });
  const sensors: SensorSpec[] = [];
  for (const [of, id] of ['A', 'B'].entries()) {
    sensors.push(pressure(`outlet-${id}`, 'outlet', of), pressure(`inlet-${id}`, 'inlet', of));
    sensors.push({
      ...pressure(`meter-${id}`, 'velocity', of),
      lag_s: meterLag_s,
      noise: 0.01,
      hum: 0,
      offset: within(random, -0.01, 0.01),
      range: [-meterSpan_mps, meterSpan_mps],
    });
  }
  sensors.push({ ...pressure('tank', 'tank-pressure', 0), lag_s: 0.02, hum: 0 });
  return {
    name: `study ${seed}`,
    seed,
    plant,
    sensors,
    lines: [
      {
        id: 'stream',
        face: 'converter',
        port: 'ports/stream',
        baud: 921_600,
        characterBits: 10,
        converter: {
          rate_Hz: 1 / dt_s,
          clockError_ratio: within(random, -5e-5, 5e-5),
          scansPerFrame: 25,
          isWide: false,
        },
        channels: ['outlet-A', 'inlet-A', 'outlet-B', 'inlet-B'],
      },
      {
        id: 'bus',
        face: 'modbus',
        port: 'ports/bus',
        baud: 115_200,
        characterBits: 11,
        units: [
          {
            unit: 1,
            turnaround_s: 1e-3,
            maxRegisters: 125,
            registers: ['meter-A', 'meter-B', 'tank'].map((source, k) => ({
              table: 'input' as const,
              address: 2 * k,
              type: 'float32' as const,
              wordOrder: 'ABCD' as const,
              sources: [source],
              scale: 1,
              offset: 0,
            })),
          },
        ],
      },
    ],
    cycle: {
      legs: [[0], [1]],
      pause_s: 1.2,
      stagger_s: 0,
      settle_s: 3.2,
      giveUp_s: 8.5,
      drain_m3ps: 0.2,
      start_Pa: plant.tank.pressure_Pa,
      contactDelay_s: [0.005, 0.025],
      trips: 2,
    },
    faults: [],
    transport: 'pty',
  };
}

/** Lengths known to 1 %, wave speeds to 2 %, meter lag to 10 % (one standard deviation), sensors taken as 0.6 ms. */
function rigConfig(
  seed: number,
  plant: PlantSpec,
  random: Random,
  meterLag_s: number,
  folder: string,
): RigConfig {
  const assumedLag_s = meterLag_s * (1 + 0.1 * normal(random));
  const channel = (id: string, over: Partial<ChannelConfig>): ChannelConfig => ({
    id,
    name: id,
    line: 'stream',
    quantity: 'pressure',
    unit: 'Pa',
    displayUnit: 'bar',
    scale: (span_Pa[1] - span_Pa[0]) / (2 * counts + 1),
    offset: span_Pa[0] + ((counts + 1) * (span_Pa[1] - span_Pa[0])) / (2 * counts + 1),
    rawRange: [-counts - 1, counts],
    range: span_Pa,
    responseTime_s: 0.6e-3,
    responseTimeHalfWidth_s: 0.4e-3,
    delay_s: [0, 0],
    uncertainty: { absolute: 1e3, relative: 0 },
    ...over,
  });
  const meter = (id: string) =>
    channel(id, {
      line: 'bus',
      quantity: 'velocity',
      unit: 'm/s',
      displayUnit: 'm/s',
      scale: 1,
      offset: 0,
      rawRange: null,
      range: [-meterSpan_mps, meterSpan_mps],
      responseTime_s: assumedLag_s,
      responseTimeHalfWidth_s: 0.2 * assumedLag_s,
      uncertainty: { absolute: 0.006, relative: 0 },
    });
  const state = {
    quantity: 'state' as const,
    unit: '1',
    displayUnit: '',
    scale: 1,
    offset: 0,
    rawRange: null,
    range: [0, 1] as const,
    responseTime_s: 0,
    responseTimeHalfWidth_s: 0,
    uncertainty: { absolute: 0, relative: 0 },
  };
  const analog = ['outlet-A', 'inlet-A', 'outlet-B', 'inlet-B'];
  const bus = ['meter-A', 'meter-B', 'tank'];
  return {
    name: `study ${seed}`,
    place: 'simulated',
    liquid: {
      name: 'water',
      temperature_K: plant.liquid.temperature_K,
      density_kgpm3: plant.liquid.density_kgpm3,
      densityHalfWidth_kgpm3: 0.5,
      bulkModulus_Pa: 2.19e9,
      vapourPressure_PaAbs: plant.liquid.vapourPressure_PaAbs,
    },
    atmosphere_PaAbs: plant.atmosphere_PaAbs,
    legs: plant.legs.map((leg) => legConfig(leg, plant, random)),
    channels: [
      ...analog.map((id) => channel(id, {})),
      channel('contact', state),
      meter('meter-A'),
      meter('meter-B'),
      channel('tank', {
        line: 'bus',
        scale: 1,
        offset: 0,
        rawRange: null,
        responseTime_s: 0.02,
        responseTimeHalfWidth_s: 0.002,
      }),
    ],
    lines: [
      {
        driver: 'serial-frames',
        id: 'stream',
        link: {
          kind: 'serial',
          path: join(folder, 'ports/stream'),
          baud: 921_600,
          dataBits: 8,
          parity: 'none',
          stopBits: 1,
        },
        framing: { kind: 'binary' },
        rate_Hz: 1 / dt_s,
        delay_s: 0,
        channels: [
          ...analog.map((id, index) => ({ id, source: 'analog' as const, index })),
          { id: 'contact', source: 'digital' as const, index: 0 },
        ],
      },
      {
        driver: 'modbus',
        id: 'bus',
        link: {
          kind: 'serial',
          path: join(folder, 'ports/bus'),
          baud: 115_200,
          dataBits: 8,
          parity: 'even',
          stopBits: 1,
        },
        units: [
          {
            id: 'process',
            unit: 1,
            poll_s: 0.02,
            timeout_s: 0.1,
            gap_s: 0,
            maxRegisters: 125,
            maxGap: 8,
            channels: bus.map((id, k) => ({
              id,
              table: 'input' as const,
              address: 2 * k,
              type: 'float32' as const,
              wordOrder: 'ABCD' as const,
              bit: null,
            })),
          },
        ],
      },
    ],
    trip: {
      contact: { channel: 'contact', runningLevel: 1, delay_s: [0.005, 0.025] },
      pressureSwitch: null,
      detected: true,
      tank: { channel: 'tank', setPoint_Pa: plant.pressureSwitch?.setPoint_Pa ?? null },
    },
    windows: { before_s: 1.8, afterSeating_s: 3, withoutSeating_s: 8, history_s: 30 },
    severity: { version: 'common practice, no source', mild_mps: 0.1524, severe_mps: 0.3048 },
    dataFolder: join(folder, 'data'),
    server: { host: '127.0.0.1', port: 0 },
  };
}

function legConfig(leg: LegSpec, plant: PlantSpec, random: Random): LegConfig {
  const length_m = leg.downstream.length_m * (1 + 0.01 * normal(random));
  const waveSpeed_mps = gridWaveSpeed_mps(leg.downstream, plant.dt_s) * (1 + 0.02 * normal(random));
  return {
    id: leg.id,
    name: `Leg ${leg.id}`,
    bore_m: leg.downstream.bore_m,
    wall_m: 0.006,
    material: { name: 'carbon steel', modulus_Pa: 207e9, poisson: 0.3 },
    restraint: 'anchored',
    length_m,
    lengthHalfWidth_m: 0.02 * length_m,
    inletLength_m: leg.upstream.length_m + plant.pumps[0]!.discharge.length_m,
    inertiaRatio: 1.05,
    inertiaRatioHalfWidth: 0.04,
    waveSpeed_mps,
    waveSpeedHalfWidth_mps: 0.04 * waveSpeed_mps,
    waveSpeedFrom: 'given',
    rating_Pa: 25e5,
    valve: { id: `V-${leg.id}`, type: 'other', size: '', serial: '', settings: '', rating_Pa: 25e5 },
    outlet: { channel: `outlet-${leg.id}`, distance_m: leg.taps.outlet_m },
    inlet: { channel: `inlet-${leg.id}`, distance_m: leg.taps.inlet_m },
    mid: null,
    meter: { channel: `meter-${leg.id}`, distance_m: leg.taps.meter_m },
    position: null,
  };
}
