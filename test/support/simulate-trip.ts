/** A trip of a plant, seen through sensors and a converter: the record, and beside it the plant's own truth. */

import type { PlantSpec } from '../../daemon/hydraulics/network/plant-spec.ts';
import { ObservedPlant } from '../../daemon/virtual-rig/observed-plant.ts';
import type { LegTruth } from '../../daemon/virtual-rig/plant-truth.ts';
import { normal, type Random, within } from './random-rig.ts';

/** Sensors and converter. Every part that is 0 (or null) is left out, so that the default is a perfect instrument. */
export interface SensorSet {
  /** First-order response time of the pressure sensors and of the meter. */
  readonly pressureLag_s: number;
  readonly meterLag_s: number;
  /** Loss of drive -> run contact opens. */
  readonly contactDelay_s: number;
  /** Standard deviation of white noise. */
  readonly pressureNoise_Pa: number;
  readonly meterNoise_mps: number;
  /** Constant error of the meter. */
  readonly meterOffset_mps: number;
  /** Amplitude of mains hum, the same on all pressures but for its size; its frequency. */
  readonly hum_Pa: number;
  readonly humFrequency_Hz: number;
  /** Converter over -1 to 24 bar; null: none. */
  readonly bits: number | null;
}

export const perfectSensors: SensorSet = {
  pressureLag_s: 0,
  meterLag_s: 0,
  contactDelay_s: 0,
  pressureNoise_Pa: 0,
  meterNoise_mps: 0,
  meterOffset_mps: 0,
  hum_Pa: 0,
  humFrequency_Hz: 50,
  bits: null,
};

/** Ordinary instruments: response 0.3-1 ms, noise 10-30 mbar, hum up to 30 mbar, meter 0.1-0.5 s, contact 5-25 ms. */
export function randomSensors(random: Random): SensorSet {
  return {
    pressureLag_s: within(random, 0.3e-3, 1e-3),
    meterLag_s: within(random, 0.1, 0.5),
    contactDelay_s: within(random, 0.005, 0.025),
    pressureNoise_Pa: within(random, 1e3, 3e3),
    meterNoise_mps: 0.01,
    meterOffset_mps: within(random, -0.01, 0.01),
    hum_Pa: within(random, 0, 3e3),
    humFrequency_Hz: random() < 0.5 ? 50 : 60,
    bits: [12, 14, 16][Math.floor(random() * 3)]!,
  };
}

/** Samples of one leg, one entry per instant. Pressures gauge. */
export interface SimulatedLeg {
  readonly outlet_Pa: Float64Array;
  readonly inlet_Pa: Float64Array;
  readonly mid_Pa: Float64Array;
  /** Of the lagging meter. */
  readonly meter_mps: Float64Array;
  readonly opening_ratio: Float64Array;
  /** Mean outlet pressure of a perfect sensor over the last 10 ms before the first contact; NaN without one. */
  readonly beforeSeating_Pa: number;
  readonly truth: LegTruth;
}

export interface SimulatedTrip {
  /** On the plant's clock, like the instants of the truths. */
  readonly time_s: Float64Array;
  readonly legs: readonly SimulatedLeg[];
  readonly tank_Pa: Float64Array;
  /** 1 while the run contact is closed. */
  readonly contact: Uint8Array;
  readonly trip_s: number;
}

export interface TripOptions {
  readonly rate_Hz: number;
  readonly sensors: SensorSet;
  /** For noise and for the phase of the sampling. */
  readonly random: Random;
  /** Recorded before and after the trip; 1.5 and 3.5 s unless given. */
  readonly before_s?: number;
  readonly after_s?: number;
}

/** A column of samples: taken between steps on a straight line, through a lag, noise, hum and the converter. */
class Probe {
  readonly samples: number[] = [];
  private readonly share: number;
  private before = 0;
  private now = 0;
  private isFirst = true;

  constructor(dt_s: number, lag_s: number) {
    this.share = lag_s > 0 ? 1 - Math.exp(-dt_s / lag_s) : 1;
  }

  follow(value: number): void {
    this.before = this.isFirst ? value : this.now;
    this.now = this.isFirst ? value : this.now + this.share * (value - this.now);
    this.isFirst = false;
  }

  sample(stepShare: number): void {
    this.samples.push(this.before + stepShare * (this.now - this.before));
  }
}

/** Mean of what it was last given, until it is told to stop. */
class LastMean {
  private readonly kept: Float64Array;
  private count = 0;

  constructor(size: number) {
    this.kept = new Float64Array(size);
  }

  take(value: number): void {
    this.kept[this.count++ % this.kept.length] = value;
  }

  get mean(): number {
    const n = Math.min(this.count, this.kept.length);
    let sum = 0;
    for (let k = 0; k < n; k++) sum += this.kept[k];
    return sum / n;
  }
}

/**
 * Starts every pump, lets the tank fill until the pressure switch trips (20 s at most), and records round the trip.
 * Throws when there is no trip, or a leg does not flow then.
 */
export function simulateTrip(spec: PlantSpec, options: TripOptions): SimulatedTrip {
  const { rate_Hz, sensors, random, before_s = 1.5, after_s = 3.5 } = options;
  const plant = new ObservedPlant(spec);
  for (const pump of spec.pumps.keys()) plant.startPump(pump);
  const { dt_s } = plant;
  const pressure = () => new Probe(dt_s, sensors.pressureLag_s);
  const tank = pressure();
  const legs = spec.legs.map(() => ({
    outlet: pressure(),
    inlet: pressure(),
    mid: pressure(),
    meter: new Probe(dt_s, sensors.meterLag_s),
    opening: new Probe(dt_s, 0),
  }));
  const before = spec.legs.map(() => new LastMean(Math.max(1, Math.round(0.01 / dt_s))));
  const instants: number[] = [];
  let tripped_s = Infinity;
  let next_s = random() / rate_Hz;
  while (plant.time_s < tripped_s + after_s) {
    plant.step();
    if (!plant.hasDrive && tripped_s === Infinity) tripped_s = plant.time_s;
    if (tripped_s === Infinity && plant.time_s > 20) throw new Error('the rig did not trip within 20 s');
    tank.follow(plant.tank_Pa);
    for (const [i, probes] of legs.entries()) {
      const state = plant.legs[i]!;
      const truth = plant.truths.find(({ leg }) => leg === spec.legs[i]!.id);
      if (truth !== undefined && truth.seating_s === null) before[i].take(state.outlet_Pa);
      probes.outlet.follow(state.outlet_Pa);
      probes.inlet.follow(state.inlet_Pa);
      probes.mid.follow(state.mid_Pa);
      probes.meter.follow(state.velocity_mps);
      probes.opening.follow(state.opening_ratio);
    }
    while (next_s <= plant.time_s) {
      const stepShare = 1 - (plant.time_s - next_s) / dt_s;
      instants.push(next_s);
      tank.sample(stepShare);
      for (const probes of legs) for (const probe of Object.values(probes)) probe.sample(stepShare);
      next_s += 1 / rate_Hz;
    }
  }
  const first = instants.findIndex((instant_s) => instant_s >= tripped_s - before_s);
  const time_s = Float64Array.from(instants.slice(first));
  const seen = (probe: Probe, humShare: number) => {
    const exact = Float64Array.from(probe.samples.slice(first));
    return exact.map((value, k) => converted_Pa(value, time_s[k]!, humShare, sensors, random));
  };
  return {
    time_s,
    legs: legs.map((probes, i) => {
      const truth = plant.truths.find(({ leg }) => leg === spec.legs[i]!.id);
      if (truth === undefined) throw new Error(`leg ${spec.legs[i]!.id} did not flow at the trip`);
      return {
        outlet_Pa: seen(probes.outlet, 1),
        inlet_Pa: seen(probes.inlet, 0.9),
        mid_Pa: seen(probes.mid, 0.8),
        meter_mps: Float64Array.from(probes.meter.samples.slice(first)).map(
          (value) => value + sensors.meterOffset_mps + sensors.meterNoise_mps * normal(random),
        ),
        opening_ratio: Float64Array.from(probes.opening.samples.slice(first)),
        beforeSeating_Pa: truth.seating_s === null ? Number.NaN : before[i].mean,
        truth,
      };
    }),
    tank_Pa: seen(tank, 0.7),
    contact: Uint8Array.from(time_s, (instant_s) => (instant_s < tripped_s + sensors.contactDelay_s ? 1 : 0)),
    trip_s: tripped_s,
  };
}

/** Noise, hum and the steps of the converter on one pressure. */
function converted_Pa(
  value_Pa: number,
  time_s: number,
  humShare: number,
  sensors: SensorSet,
  random: Random,
): number {
  const hum_Pa = humShare * sensors.hum_Pa * Math.sin(2 * Math.PI * sensors.humFrequency_Hz * time_s);
  const noisy_Pa = value_Pa + hum_Pa + sensors.pressureNoise_Pa * normal(random);
  if (sensors.bits === null) return noisy_Pa;
  const low_Pa = -1e5;
  const counts = 2 ** sensors.bits - 1;
  const count = Math.round(((noisy_Pa - low_Pa) / 25e5) * counts);
  return low_Pa + (Math.min(counts, Math.max(0, count)) * 25e5) / counts;
}
