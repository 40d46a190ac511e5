/** A course seen through the instruments of a rig, beside the rig file that somebody wrote for it: the analysis' input. */
import type { LegConfig } from '../../config/rig.ts';
import type { EventRecord, LegRecord, Series } from '../../daemon/analysis/record.ts';
import { asVelocity } from '../../daemon/store/load-record.ts';
import { channelOf, seriesOf } from '../support/independent-records.ts';
import { normal } from '../support/random-rig.ts';
import type { Course } from './course.ts';
import {
  boreHalfWidth_ratio,
  type PressureInstrument,
  pressureRange_Pa,
  type RigInError,
  through,
} from './rig-in-error.ts';

/** Recorded before and after the trip, in s. */
const before_s = 1.5;
const after_s = 3.5;

/** The columns as the instruments show them, at every step; noise and converter come with the samples. */
export interface Shown {
  readonly legs: readonly {
    readonly outlet: Float64Array;
    readonly inlet: Float64Array;
    readonly meter: Float64Array;
  }[];
  readonly tank: Float64Array;
}

export function showCourse(course: Course, rig: RigInError): Shown {
  const pressure = ({ filter, dead_s, gain_ratio, offset_Pa }: PressureInstrument, values: Float64Array) =>
    through(filter, dead_s)(values, course.dt_s).map((value) => gain_ratio * value + offset_Pa);
  return {
    legs: course.legs.map((leg, k) => {
      const { outlet, inlet, meter } = rig.legs[k];
      return {
        outlet: pressure(outlet, leg.outlet_Pa),
        inlet: pressure(inlet, leg.inlet_Pa),
        meter: through(meter.filter, meter.dead_s)(leg.meter_mps, course.dt_s).map(
          (value) => meter.gain_ratio * value + meter.offset_mps,
        ),
      };
    }),
    tank: pressure(rig.tank, course.tank_Pa),
  };
}

/** The record at one rate. */
export function recordCourse(course: Course, rig: RigInError, shown: Shown, rate_Hz: number): EventRecord {
  const { spec, trip_s, dt_s } = course;
  const { random, bus } = rig;
  const grid = (rate: number) => {
    const step_s = 1 / rate;
    const first_s = trip_s - before_s + random() * step_s;
    return Float64Array.from(
      { length: Math.floor((trip_s + after_s - first_s) / step_s) - 1 },
      (_, k) => first_s + k * step_s,
    );
  };
  const fast_s = grid(rate_Hz);
  const slow_s = bus.rate_Hz === null || bus.rate_Hz >= rate_Hz ? fast_s : grid(bus.rate_Hz);
  const isApart = slow_s !== fast_s;
  const at = (column: Float64Array, time_s: number) => {
    const place = time_s / dt_s - 1;
    const k = Math.min(column.length - 2, Math.max(0, Math.floor(place)));
    return column[k] + (place - k) * (column[k + 1] - column[k]);
  };
  const stamped = (series: Series, time_s: Float64Array): Series =>
    time_s === fast_s || !isApart
      ? series
      : { ...series, time_s: time_s.map((t) => t + bus.late_s), halfWidth_s: bus.halfWidth_s };
  const pressure = (
    id: string,
    { stated }: PressureInstrument,
    column: Float64Array,
    time_s: Float64Array,
    hum: number,
  ) => {
    const channel = channelOf(id, 'pressure', {
      responseTime_s: stated.lag_s,
      responseTimeHalfWidth_s: stated.lagHalfWidth_s,
      delay_s: stated.delay_s,
      uncertainty: { absolute: stated.absolute_Pa, relative: stated.relative },
      rawRange: pressureRange_Pa,
    });
    const value = time_s.map((t) => converted_Pa(at(column, t), t, hum, rig));
    return stamped(seriesOf(channel, time_s, value), time_s);
  };
  return {
    id: `seed-${rig.seed}`,
    legs: rig.legs.map((leg, k): LegRecord => {
      const columns = shown.legs[k];
      const { stated } = leg.meter;
      // A flow meter: its numbers are those of the true bore, the file's bore turns them into a velocity.
      const true_m2 = (Math.PI / 4) * spec.legs[k].downstream.bore_m ** 2;
      const channel = channelOf(`meter-${k}`, 'flow', {
        responseTime_s: stated.lag_s,
        responseTimeHalfWidth_s: stated.lagHalfWidth_s,
        delay_s: stated.delay_s,
        uncertainty: { absolute: stated.absolute_mps * true_m2, relative: stated.relative },
      });
      const flow = slow_s.map((t) => true_m2 * (at(columns.meter, t) + 0.01 * normal(random)));
      const config = legConfig(course, rig, k);
      return {
        leg: config,
        outlet: pressure(`outlet-${k}`, leg.outlet, columns.outlet, fast_s, 1),
        inlet: pressure(`inlet-${k}`, leg.inlet, columns.inlet, fast_s, 0.9),
        mid: null,
        meter: asVelocity(stamped(seriesOf(channel, slow_s, flow), slow_s), config),
        position: null,
      };
    }),
    tank: pressure('tank', rig.tank, shown.tank, slow_s, 0.7),
    contact: seriesOf(
      channelOf('run', 'state'),
      fast_s,
      fast_s.map((t) => (t < trip_s + rig.contactDelay_s ? 1 : 0)),
    ),
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
      density_kgpm3: rig.statedDensity_kgpm3,
      densityHalfWidth_kgpm3: 2,
      bulkModulus_Pa: 2.19e9,
      vapourPressure_PaAbs: spec.liquid.vapourPressure_PaAbs,
    },
    atmosphere_PaAbs: spec.atmosphere_PaAbs,
    severity: { version: 'rule of thumb 1', mild_mps: 0.1524, severe_mps: 0.3048 },
  };
}

function legConfig(course: Course, rig: RigInError, k: number): LegConfig {
  const { spec, legs } = course;
  const { stated } = rig.legs[k];
  const { upstream, id, taps } = spec.legs[k];
  const waveSpeed_mps = legs[k].column.waveSpeed_mps * stated.waveSpeed_ratio;
  return {
    id,
    name: `Leg ${id}`,
    bore_m: stated.bore_m,
    boreHalfWidth_m: boreHalfWidth_ratio * stated.bore_m,
    wall_m: 0.006,
    material: { name: 'steel', modulus_Pa: 207e9, poisson: 0.3 },
    restraint: 'anchored',
    length_m: stated.length_m,
    lengthHalfWidth_m: 0.02 * stated.length_m,
    inletLength_m: upstream.length_m + spec.pumps[0].discharge.length_m,
    inertiaRatio: 1.05,
    inertiaRatioHalfWidth: 0.04,
    waveSpeed_mps,
    waveSpeedHalfWidth_mps: 0.04 * waveSpeed_mps,
    waveSpeedFrom: 'given',
    rating_Pa: 16e5,
    valve: { id: `v-${id}`, type: 'swing', size: 'DN100', serial: '', settings: '', rating_Pa: 16e5 },
    outlet: { channel: `outlet-${k}`, distance_m: stated.outlet_m },
    inlet: { channel: `inlet-${k}`, distance_m: stated.inlet_m },
    mid: null,
    meter: { channel: `meter-${k}`, distance_m: taps.meter_m },
    position: null,
  };
}

/** Noise, hum and the steps of the converter on one pressure. */
function converted_Pa(value_Pa: number, time_s: number, hum: number, rig: RigInError): number {
  const [low_Pa, high_Pa] = pressureRange_Pa;
  const hum_Pa = hum * rig.hum_Pa * Math.sin(2 * Math.PI * rig.hum_Hz * time_s);
  const noisy_Pa = value_Pa + hum_Pa + rig.noise_Pa * normal(rig.random);
  const counts = 2 ** rig.bits - 1;
  const count = Math.round(((noisy_Pa - low_Pa) / (high_Pa - low_Pa)) * counts);
  return low_Pa + (Math.min(counts, Math.max(0, count)) * (high_Pa - low_Pa)) / counts;
}
