/** A small rig for tests of the recorder: one leg with meter, tank, contact and switch; and blocks made from functions of time. */
import type { ChannelConfig, LegConfig, RigConfig, TripConfig } from '../../config/rig.ts';
import type { Counters, Driver, DriverSink, GroupSpec, RawBlock } from '../../drivers/driver.ts';

/** Converter counts to pascal in `channel`: 1 count = 50 Pa. */
export const lsb_Pa = 50;

function channel(id: string, quantity: ChannelConfig['quantity'], scale: number): ChannelConfig {
  return {
    id,
    name: id,
    line: 'stream',
    quantity,
    unit: quantity === 'pressure' ? 'Pa' : quantity === 'velocity' ? 'm/s' : '1',
    displayUnit: quantity === 'pressure' ? 'bar' : '1',
    scale,
    offset: 0,
    rawRange: null,
    range: [-1e5, 25e5],
    responseTime_s: 0.0005,
    responseTimeHalfWidth_s: 0.0001,
    delay_s: [0, 0],
    uncertainty: { absolute: 0, relative: 0.002 },
  };
}

const leg: LegConfig = {
  id: 'A',
  name: 'Leg A',
  bore_m: 0.15,
  wall_m: 0.007,
  material: { name: 'carbon steel', modulus_Pa: 207e9, poisson: 0.3 },
  restraint: 'anchored',
  length_m: 8,
  lengthHalfWidth_m: 0.02,
  inletLength_m: 3,
  inertiaRatio: 1.05,
  inertiaRatioHalfWidth: 0.02,
  waveSpeed_mps: 1300,
  waveSpeedHalfWidth_mps: 20,
  waveSpeedFrom: 'given',
  rating_Pa: 16e5,
  valve: { id: 'V', type: 'axial', size: 'DN150', serial: '0', settings: '', rating_Pa: 16e5 },
  outlet: { channel: 'outlet', distance_m: 0.3 },
  inlet: null,
  mid: null,
  meter: { channel: 'meter', distance_m: 2 },
  position: null,
};

/** Columns of the only group, in order. */
export const columns = ['outlet', 'tank', 'meter', 'run'] as const;

export interface RigChoice {
  readonly dataFolder?: string;
  readonly trip?: Partial<TripConfig>;
  readonly hasMeter?: boolean;
  readonly before_s?: number;
}

/** A rig with one line of four channels. */
export function recorderRig(choice: RigChoice = {}): RigConfig {
  return {
    name: 'Test loop',
    place: 'nowhere',
    liquid: {
      name: 'water',
      temperature_K: 293.15,
      density_kgpm3: 998.2,
      densityHalfWidth_kgpm3: 0.5,
      bulkModulus_Pa: 2.18e9,
      vapourPressure_PaAbs: 2339,
    },
    atmosphere_PaAbs: 101_325,
    legs: [choice.hasMeter === false ? { ...leg, meter: null } : leg],
    channels: [
      channel('outlet', 'pressure', lsb_Pa),
      channel('tank', 'pressure', lsb_Pa),
      channel('meter', 'velocity', 0.001),
      channel('run', 'state', 1),
    ],
    lines: [],
    trip: {
      contact: { channel: 'run', runningLevel: 1, delay_s: [0, 0] },
      pressureSwitch: null,
      detected: true,
      tank: { channel: 'tank', setPoint_Pa: 5e5 },
      ...choice.trip,
    },
    windows: { before_s: choice.before_s ?? 1.5, afterSeating_s: 3, withoutSeating_s: 8, history_s: 20 },
    severity: { version: 'test', mild_mps: 0.1524, severe_mps: 0.3048 },
    dataFolder: choice.dataFolder ?? 'data',
    server: { host: '127.0.0.1', port: 0 },
  };
}

/** What the channels read at an instant, in SI, in the order of `columns`. */
export type Scene = (
  time_s: number,
) => readonly [outlet_Pa: number, tank_Pa: number, meter_mps: number, run: number];

export function groupOf(interval_s: number): GroupSpec {
  return { id: 'stream', channels: columns, encoding: 'i32', nominalInterval_s: interval_s };
}

/** One block of a scene, as a converter would deliver it. */
export function blockOf(
  scene: Scene,
  start_s: number,
  scan: number,
  scans: number,
  interval_s: number,
): RawBlock {
  const raw = new Int32Array(scans * 4);
  for (let i = 0; i < scans; i++) {
    const [outlet_Pa, tank_Pa, meter_mps, run] = scene(start_s + (scan + i) * interval_s);
    raw[i * 4] = Math.round(outlet_Pa / lsb_Pa);
    raw[i * 4 + 1] = Math.round(tank_Pa / lsb_Pa);
    raw[i * 4 + 2] = Math.round(meter_mps * 1000);
    raw[i * 4 + 3] = run;
  }
  return {
    group: 0,
    scan,
    scans,
    time_s: start_s + scan * interval_s,
    interval_s,
    halfWidth_s: interval_s,
    raw,
    quality: new Uint8Array(scans),
    lostBefore: 0,
  };
}

/** A driver that does nothing by itself: the test pushes blocks into `sink`. */
export class PushedDriver implements Driver {
  readonly groups: readonly GroupSpec[];
  readonly counters: Counters = { scansReceived: 0 };
  sink: DriverSink | null = null;
  isStopped = false;

  constructor(interval_s: number) {
    this.groups = [groupOf(interval_s)];
  }

  start(sink: DriverSink): void {
    if (this.sink !== null) throw new Error('started twice');
    this.sink = sink;
  }

  async stop(): Promise<void> {
    this.isStopped = true;
  }
}

/** Normal numbers by Box and Muller (1958) over a small congruential generator: the same on every machine. */
export function normalNumbers(seed: number): () => number {
  let state = seed >>> 0;
  const uniform = () => {
    state = (Math.imul(state, 1_664_525) + 1_013_904_223) >>> 0;
    return (state + 0.5) / 2 ** 32;
  };
  return () => Math.sqrt(-2 * Math.log(uniform())) * Math.cos(2 * Math.PI * uniform());
}

/** How a loop behaves round one trip, for `tripScene`. */
export interface TripScene {
  readonly trip_s: number;
  /** Loss of drive to seating, in s. */
  readonly seating_s: number;
  /** Deceleration grows to its full size over so long, in s; 0.15 for an ordinary pump. */
  readonly rundown_s: number;
  readonly deceleration_mps2: number;
  readonly slam_mps: number;
  readonly contactDelay_s: number;
  readonly noise_Pa: number;
  readonly hum_Pa: number;
  /** Rise of the tank before the trip, in Pa/s. */
  readonly fill_Paps: number;
}

export const ordinaryTrip: TripScene = {
  trip_s: 3,
  seating_s: 0.35,
  rundown_s: 0.1,
  deceleration_mps2: 10,
  slam_mps: 0.2,
  contactDelay_s: 0.012,
  noise_Pa: 2000,
  hum_Pa: 0,
  fill_Paps: 2e4,
};

/**
 * A rigid column that is braked harder and harder, then a slam that rings at a/4L and dies out (rigid-column theory and
 * Joukowsky's formula, as in Wylie and Streeter 1993, from memory). Only a shape for the recorder, no measure of a valve.
 */
export function tripScene(trip: TripScene, seed = 1): Scene {
  const normal = normalNumbers(seed);
  const mass = 998.2 * 7.7;
  return (time_s) => {
    const t = time_s - trip.trip_s;
    const tank_Pa = 4e5 + trip.fill_Paps * Math.max(-10, Math.min(0, t));
    let outlet_Pa = tank_Pa + 1e4;
    let meter_mps = 2.5;
    if (t > 0 && t < trip.seating_s) {
      const slowing = trip.deceleration_mps2 * Math.min(1, t / trip.rundown_s);
      outlet_Pa = tank_Pa + 1e4 - mass * slowing;
      meter_mps = 2.5 * (1 - t / trip.seating_s);
    } else if (t >= trip.seating_s) {
      const after = t - trip.seating_s;
      const joukowsky_Pa = 998.2 * 1300 * trip.slam_mps + mass * trip.deceleration_mps2;
      outlet_Pa =
        tank_Pa + joukowsky_Pa * Math.exp(-after / 0.15) * Math.cos((2 * Math.PI * 1300 * after) / (4 * 8));
      meter_mps = 0;
    }
    const hum_Pa = trip.hum_Pa * Math.sin(2 * Math.PI * 50 * time_s);
    const noise_Pa = trip.noise_Pa * normal();
    return [outlet_Pa + hum_Pa + noise_Pa, tank_Pa, meter_mps, t < trip.contactDelay_s ? 1 : 0];
  };
}
