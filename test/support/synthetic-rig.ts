/** A made-up rig for the web tests: two legs, a tank, one fast and one slow line. No physics, only plausible shapes. */

import type { ChannelConfig, LegConfig, RigConfig } from '../../config/rig.ts';
import type { HelloMessage } from '../../daemon/recorder/messages.ts';

const bar = 1e5;

function channel(
  id: string,
  name: string,
  line: string,
  quantity: ChannelConfig['quantity'],
  unit: string,
  displayUnit: string,
  range: readonly [number, number],
): ChannelConfig {
  return {
    id,
    name,
    line,
    quantity,
    unit,
    displayUnit,
    range,
    scale: 1,
    offset: 0,
    rawRange: null,
    responseTime_s: 0.0005,
    responseTimeHalfWidth_s: 0.0003,
    delay_s: [0, 0],
    uncertainty: { absolute: 0, relative: 0.0025 },
  };
}

function leg(id: string, name: string, length_m: number, valve: LegConfig['valve']): LegConfig {
  return {
    id,
    name,
    bore_m: 0.1541,
    wall_m: 0.0071,
    material: { name: 'carbon steel', modulus_Pa: 207e9, poisson: 0.3 },
    restraint: 'anchored',
    length_m,
    lengthHalfWidth_m: 0.05,
    inletLength_m: 4,
    inertiaRatio: 1.05,
    inertiaRatioHalfWidth: 0.02,
    waveSpeed_mps: 1275,
    waveSpeedHalfWidth_mps: 15,
    waveSpeedFrom: 'formula',
    rating_Pa: 16 * bar,
    valve,
    outlet: { channel: `${id}-outlet`, distance_m: 0.3 },
    inlet: { channel: `${id}-inlet`, distance_m: 0.3 },
    mid: null,
    meter: { channel: `${id}-velocity`, distance_m: 2 },
    position: null,
  };
}

/** Trip set point of the made-up tank, gauge. */
export const setPoint_Pa = 5.4 * bar;

export const syntheticConfig: RigConfig = {
  name: 'Riverside loop',
  place: 'Hall 2, bay 4',
  liquid: {
    name: 'water',
    temperature_K: 293.15,
    density_kgpm3: 998.2,
    densityHalfWidth_kgpm3: 0.5,
    bulkModulus_Pa: 2.18e9,
    vapourPressure_PaAbs: 2339,
  },
  atmosphere_PaAbs: 101325,
  legs: [
    leg('a', 'Leg A', 8.5, {
      id: 'valve-a',
      type: 'swing',
      size: 'DN150',
      serial: 'S-0113',
      settings: 'counterweight at 3 of 5, oil dashpot on the last 9 degrees',
      rating_Pa: 16 * bar,
    }),
    leg('b', 'Leg B', 6.2, {
      id: 'valve-b',
      type: 'axial',
      size: 'DN150',
      serial: 'S-0207',
      settings: 'spring 12 N m',
      rating_Pa: 16 * bar,
    }),
  ],
  channels: [
    channel('a-outlet', 'Leg A after valve', 'stream', 'pressure', 'Pa', 'bar', [-1 * bar, 24 * bar]),
    channel('a-inlet', 'Leg A before valve', 'stream', 'pressure', 'Pa', 'bar', [-1 * bar, 24 * bar]),
    channel('b-outlet', 'Leg B after valve', 'stream', 'pressure', 'Pa', 'bar', [-1 * bar, 24 * bar]),
    channel('b-inlet', 'Leg B before valve', 'stream', 'pressure', 'Pa', 'bar', [-1 * bar, 24 * bar]),
    channel('a-velocity', 'Leg A velocity', 'units', 'velocity', 'm/s', 'm/s', [-5, 5]),
    channel('b-velocity', 'Leg B velocity', 'units', 'velocity', 'm/s', 'm/s', [-5, 5]),
    channel('tank-pressure', 'Tank', 'units', 'pressure', 'Pa', 'bar', [0, 10 * bar]),
    channel('tank-level', 'Tank level', 'units', 'level', 'm', 'm', [0, 2.4]),
    channel('water', 'Water', 'units', 'temperature', 'K', 'degC', [273, 333]),
    channel('run', 'Pump runs', 'stream', 'state', '1', '1', [0, 1]),
  ],
  lines: [],
  trip: {
    contact: { channel: 'run', runningLevel: 1, delay_s: [0.005, 0.025] },
    pressureSwitch: null,
    detected: true,
    tank: { channel: 'tank-pressure', setPoint_Pa },
  },
  windows: { before_s: 1.5, afterSeating_s: 3, withoutSeating_s: 8, history_s: 60 },
  severity: { version: 'v1', mild_mps: 0.1524, severe_mps: 0.3048 },
  dataFolder: 'data',
  server: { host: '127.0.0.1', port: 0 },
};

/** How a recorder of this rig introduces itself; its clock begins with 1970. */
export const syntheticHello: HelloMessage = {
  kind: 'hello',
  config: syntheticConfig,
  software: 's',
  boot: 'b',
  anchor: { time_s: 0, wall_ms: 0 },
};
