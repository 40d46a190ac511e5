/** A simulated trip as the analysis gets it: with constants that are as wrong as those of a real rig usually are. */
import type { LegConfig } from '../../config/rig.ts';
import type { EventRecord, LegRecord } from '../../daemon/analysis/record.ts';
import type { PlantSpec } from '../../daemon/hydraulics/network/plant-spec.ts';
import { channelOf, type Missing, seriesOf } from './independent-records.ts';
import { normal, type Random } from './random-rig.ts';
import type { SensorSet, SimulatedTrip } from './simulate-trip.ts';

/** Relative errors of what the configuration claims to know; 0 = exactly known. */
export interface Knowledge {
  readonly length: number;
  readonly waveSpeed: number;
  readonly meterLag: number;
  /** Assumed response time of the pressure sensors, in s. */
  readonly pressureLag_s: number;
  /** Half-width of its 95 % interval as the configuration states it, in s; 0.4 ms unless given. */
  readonly pressureLagHalfWidth_s?: number;
}

/** Length to 1 %, wave speed to 2 %, meter lag to 10 % (one standard deviation); sensors taken as 0.6 ms. */
export function ordinaryKnowledge(random: Random): Knowledge {
  return {
    length: 0.01 * normal(random),
    waveSpeed: 0.02 * normal(random),
    meterLag: 0.1 * normal(random),
    pressureLag_s: 0.0006,
  };
}

/** Everything exactly known. */
export function exactKnowledge(sensors: SensorSet): Knowledge {
  return { length: 0, waveSpeed: 0, meterLag: 0, pressureLag_s: sensors.pressureLag_s };
}

/** The event record of a simulated trip. */
export function recordOf(
  trip: SimulatedTrip,
  spec: PlantSpec,
  sensors: SensorSet,
  knowledge: Knowledge,
  missing: Missing = {},
): EventRecord {
  const { time_s } = trip;
  const pressure = (id: string, value: Float64Array) =>
    seriesOf(
      channelOf(id, 'pressure', {
        responseTime_s: knowledge.pressureLag_s,
        responseTimeHalfWidth_s: knowledge.pressureLagHalfWidth_s ?? 0.0004,
        rawRange: sensors.bits === null ? null : [-1e5, 24e5],
      }),
      time_s,
      value,
    );
  const legs = trip.legs.map((simulated, k): LegRecord => {
    const { downstream, upstream, taps, id } = spec.legs[k];
    const length_m = downstream.length_m * (1 + knowledge.length);
    const waveSpeed_mps = downstream.waveSpeed_mps * (1 + knowledge.waveSpeed);
    const leg: LegConfig = {
      id,
      name: `Leg ${id}`,
      bore_m: downstream.bore_m,
      wall_m: 0.006,
      material: { name: 'steel', modulus_Pa: 207e9, poisson: 0.3 },
      restraint: 'anchored',
      length_m,
      lengthHalfWidth_m: 0.02 * length_m,
      inletLength_m: upstream.length_m + spec.pumps[0].discharge.length_m,
      inertiaRatio: 1.05,
      inertiaRatioHalfWidth: 0.04,
      waveSpeed_mps,
      waveSpeedHalfWidth_mps: 0.04 * waveSpeed_mps,
      waveSpeedFrom: 'given',
      rating_Pa: 16e5,
      valve: { id: `v-${id}`, type: 'swing', size: 'DN100', serial: '', settings: '', rating_Pa: 16e5 },
      outlet: { channel: 'outlet', distance_m: taps.outlet_m },
      inlet: { channel: 'inlet', distance_m: taps.inlet_m },
      mid: null,
      meter: { channel: 'meter', distance_m: taps.meter_m },
      position: null,
    };
    const meterLag_s = sensors.meterLag_s * (1 + knowledge.meterLag);
    return {
      leg,
      outlet: pressure(`outlet-${id}`, simulated.outlet_Pa),
      inlet: missing.inlet === true ? null : pressure(`inlet-${id}`, simulated.inlet_Pa),
      mid: null,
      meter:
        missing.meter === true
          ? null
          : seriesOf(
              channelOf(`meter-${id}`, 'velocity', {
                responseTime_s: meterLag_s,
                responseTimeHalfWidth_s: 0.2 * meterLag_s,
                uncertainty: { absolute: 0.006, relative: 0 },
              }),
              time_s,
              simulated.meter_mps,
            ),
      position: null,
    };
  });
  return {
    id: 'simulated',
    legs,
    tank: missing.tank === true ? null : pressure('tank', trip.tank_Pa),
    contact:
      missing.contact === true
        ? null
        : seriesOf(channelOf('run', 'state'), time_s, Float64Array.from(trip.contact)),
    pressureSwitch: null,
    trip: {
      contact: { channel: 'run', runningLevel: 1, delay_s: [0.005, 0.025] },
      pressureSwitch: null,
      detected: true,
      tank: { channel: 'tank', setPoint_Pa: spec.pressureSwitch?.setPoint_Pa ?? null },
    },
    liquid: {
      name: 'water',
      temperature_K: spec.liquid.temperature_K,
      density_kgpm3: spec.liquid.density_kgpm3,
      densityHalfWidth_kgpm3: 0.5,
      bulkModulus_Pa: 2.19e9,
      vapourPressure_PaAbs: spec.liquid.vapourPressure_PaAbs,
    },
    atmosphere_PaAbs: spec.atmosphere_PaAbs,
    severity: { version: 'rule of thumb 1', mild_mps: 0.1524, severe_mps: 0.3048 },
  };
}
