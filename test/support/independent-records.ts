/** The records of an independent model in test/golden/records: columns of numbers and the truth behind them. */
import { readFileSync } from 'node:fs';
import type { ChannelConfig, LegConfig } from '../../config/rig.ts';
import type { EventRecord, Series } from '../../daemon/analysis/record.ts';

const folder = new URL('../golden/records/', import.meta.url);

/** One entry of index.json. */
export interface IndependentRecord {
  readonly file: string;
  readonly valve: string;
  readonly sample_rate_Hz: number;
  readonly bore_m: number;
  readonly leg_length_m: number;
  readonly wave_speed_m_per_s: number;
  readonly tap_to_seat_m: number;
  readonly liquid_density_kg_per_m3: number;
  readonly meter_lag_s: number;
  readonly pressure_lag_s: number;
  readonly contact_delay_s: number;
  readonly truth: {
    readonly trip_s: number;
    readonly reversal_after_trip_s: number;
    readonly seating_after_trip_s: number;
    readonly approach_velocity_m_per_s: number;
    readonly velocity_at_seating_m_per_s: number;
    readonly largest_reverse_velocity_m_per_s: number;
    readonly peak_at_valve_bar: number;
    readonly static_after_bar: number;
    readonly deceleration_at_reversal_m_per_s2: number;
    readonly seat_contacts: number;
  };
}

/** All entries of index.json. */
export function independentRecords(): readonly IndependentRecord[] {
  return JSON.parse(readFileSync(new URL('index.json', folder), 'utf8'));
}

/** A channel with everything a reader of it needs and nothing that the test does not set. */
export function channelOf(
  id: string,
  quantity: ChannelConfig['quantity'],
  more: Partial<ChannelConfig> = {},
): ChannelConfig {
  return {
    id,
    name: id,
    line: 'file',
    quantity,
    unit: quantity === 'pressure' ? 'Pa' : quantity === 'velocity' ? 'm/s' : '1',
    displayUnit: quantity === 'pressure' ? 'bar' : quantity === 'velocity' ? 'm/s' : '1',
    scale: 1,
    offset: 0,
    rawRange: null,
    range: quantity === 'pressure' ? [-1e5, 25e5] : [-10, 10],
    responseTime_s: 0,
    responseTimeHalfWidth_s: 0,
    delay_s: [0, 0],
    uncertainty: { absolute: 0, relative: 0 },
    ...more,
  };
}

/** A series of good samples. */
export function seriesOf(channel: ChannelConfig, time_s: Float64Array, value: Float64Array): Series {
  return { channel, time_s, value, quality: new Uint8Array(time_s.length), halfWidth_s: 0, lost: 0 };
}

/** Which optional channels to leave away. */
export interface Missing {
  readonly inlet?: boolean;
  readonly meter?: boolean;
  readonly tank?: boolean;
  readonly contact?: boolean;
}

/**
 * Builds the event record of one file. The rig constants carry the doubt that such constants have on a real rig:
 * wave speed 2 %, length 1 %, inertia ratio 1.05 +- 0.03, pressure lag +-0.2 ms, meter lag 10 %, contact delay 5..25 ms.
 */
export function readIndependent(entry: IndependentRecord, missing: Missing = {}): EventRecord {
  const lines = readFileSync(new URL(entry.file, folder), 'utf8').trim().split('\n');
  const columns = Array.from({ length: 6 }, () => new Float64Array(lines.length - 1));
  for (let k = 1; k < lines.length; k++) {
    const cells = lines[k].split(',');
    for (let c = 0; c < 6; c++) columns[c][k - 1] = Number(cells[c]);
  }
  const [time_s, outlet, inlet, meter, tank, run] = columns;
  const pascal = (column: Float64Array) => column.map((value) => value * 1e5);
  const pressure = (id: string) =>
    channelOf(id, 'pressure', { responseTime_s: entry.pressure_lag_s, responseTimeHalfWidth_s: 0.0002 });
  const leg: LegConfig = {
    id: 'a',
    name: 'Leg A',
    bore_m: entry.bore_m,
    wall_m: 0.006,
    material: { name: 'steel', modulus_Pa: 207e9, poisson: 0.3 },
    restraint: 'anchored',
    length_m: entry.leg_length_m,
    lengthHalfWidth_m: 0.02 * entry.leg_length_m,
    inletLength_m: 2.5,
    inertiaRatio: 1.05,
    inertiaRatioHalfWidth: 0.03,
    waveSpeed_mps: entry.wave_speed_m_per_s,
    waveSpeedHalfWidth_mps: 0.02 * entry.wave_speed_m_per_s,
    waveSpeedFrom: 'given',
    rating_Pa: 16e5,
    valve: { id: entry.valve, type: 'swing', size: 'DN100', serial: '', settings: '', rating_Pa: 16e5 },
    outlet: { channel: 'outlet', distance_m: entry.tap_to_seat_m },
    inlet: { channel: 'inlet', distance_m: entry.tap_to_seat_m },
    mid: null,
    meter: { channel: 'meter', distance_m: 1 },
    position: null,
  };
  return {
    id: entry.file,
    legs: [
      {
        leg,
        outlet: seriesOf(pressure('outlet'), time_s, pascal(outlet)),
        inlet: missing.inlet === true ? null : seriesOf(pressure('inlet'), time_s, pascal(inlet)),
        mid: null,
        meter:
          missing.meter === true
            ? null
            : seriesOf(
                channelOf('meter', 'velocity', {
                  responseTime_s: entry.meter_lag_s,
                  responseTimeHalfWidth_s: 0.1 * entry.meter_lag_s,
                  uncertainty: { absolute: 0.005, relative: 0 },
                }),
                time_s,
                meter,
              ),
        position: null,
      },
    ],
    tank: missing.tank === true ? null : seriesOf(channelOf('tank', 'pressure'), time_s, pascal(tank)),
    contact: missing.contact === true ? null : seriesOf(channelOf('run', 'state'), time_s, run),
    pressureSwitch: null,
    trip: {
      contact: { channel: 'run', runningLevel: 1, delay_s: [0.005, 0.025] },
      pressureSwitch: null,
      detected: true,
      tank: { channel: 'tank', setPoint_Pa: null },
    },
    liquid: {
      name: 'water',
      temperature_K: 293.15,
      density_kgpm3: entry.liquid_density_kg_per_m3,
      densityHalfWidth_kgpm3: 1,
      bulkModulus_Pa: 2.19e9,
      vapourPressure_PaAbs: 2339,
    },
    atmosphere_PaAbs: 101_325,
    severity: { version: 'rule of thumb 1', mild_mps: 0.1524, severe_mps: 0.3048 },
  };
}
