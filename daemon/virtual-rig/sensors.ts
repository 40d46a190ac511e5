/**
 * Instruments between the plant and the wire: lag, noise, mains hum, offset, gain, end of range, resolution, and faults.
 *
 * Each step of the plant moves a first-order lag by its exact solution for an input that is straight between two steps
 * (first-order hold): y1 = a y0 + b0 x0 + b1 x1, a = exp(-h/tau), b1 = 1 - (1 - a) tau/h, b0 = 1 - a - b1.
 * At the instant of a reading the rest is added: value * gain + offset + hum + noise, held at the ends of the range,
 * rounded to the converter's step.
 */
import type { Plant } from '../hydraulics/network/plant-types.ts';
import { type SensorDetails, type Stage, stagesAfter, stagesBefore } from './instrument-stages.ts';
import type { Random } from './random.ts';
import { ReversalWindow } from './reversal-window.ts';

export type SignalName =
  | 'outlet'
  | 'inlet'
  | 'mid'
  | 'velocity'
  | 'flow'
  | 'opening'
  | 'tank-pressure'
  | 'tank-level'
  | 'temperature'
  | 'pump-speed';

export interface SensorSpec {
  readonly id: string;
  readonly signal: SignalName;
  /** Index of the leg or the pump; 0 for the tank and the water. */
  readonly of: number;
  /** First-order response time, in s. */
  readonly lag_s: number;
  /** Standard deviation, SI of the signal. */
  readonly noise: number;
  /** Amplitude of the mains hum, SI of the signal, and its frequency. */
  readonly hum: number;
  readonly hum_Hz: number;
  readonly offset: number;
  readonly gain_ratio: number;
  /** Ends of the measuring range, SI of the signal. */
  readonly range: readonly [number, number];
  /** Resolution over the range, 1 to 24 bits; null: none. With bits or not, nothing outside the range comes out. */
  readonly bits: number | null;
  /** Instrument that renews its value so often, in s; 0: with every reading. */
  readonly update_s: number;
  /** What else it does; absent: nothing. */
  readonly details?: SensorDetails;
}

/** Time constant in which the ripple of a pump dies away without its drive, in s; an assumption. */
const rippleFade_s = 0.02;

/** Switchable faults of one sensor. */
export type SensorFault =
  | { readonly kind: 'none' }
  /** Goes no higher (and no lower) than a narrower range, SI of the signal. */
  | { readonly kind: 'clipped'; readonly range: readonly [number, number] }
  /** Keeps its last reading. */
  | { readonly kind: 'frozen' }
  /** 1 to 3 readings in a row stand off by up to `height`, SI of the signal, so often a second. */
  | { readonly kind: 'spikes'; readonly rate_Hz: number; readonly height: number };

/** What a signal is now, in SI. */
export function readSignal(plant: Plant, signal: SignalName, of: number): number {
  switch (signal) {
    case 'outlet':
      return plant.legs[of]!.outlet_Pa;
    case 'inlet':
      return plant.legs[of]!.inlet_Pa;
    case 'mid':
      return plant.legs[of]!.mid_Pa;
    case 'velocity':
      return plant.legs[of]!.velocity_mps;
    case 'flow':
      return plant.legs[of]!.velocity_mps * (Math.PI / 4) * plant.spec.legs[of]!.downstream.bore_m ** 2;
    case 'opening':
      return plant.legs[of]!.opening_ratio;
    case 'tank-pressure':
      return plant.tank_Pa;
    case 'tank-level':
      return plant.tankLevel_m;
    case 'temperature':
      return plant.waterTemperature_K;
    case 'pump-speed':
      return plant.pumpSpeed_ratio[of]! * plant.spec.pumps[of]!.ratedSpeed_radps;
  }
}

export class Sensor {
  readonly spec: SensorSpec;
  /** Readings that stood at an end of the range. */
  readingsClipped = 0;
  readonly #plant: Plant;
  readonly #random: Random;
  readonly #decay: number;
  readonly #oldWeight: number;
  readonly #newWeight: number;
  readonly #step: number;
  readonly #humPhase: number;
  readonly #details: SensorDetails;
  readonly #stagesBefore: readonly Stage[];
  readonly #stagesAfter: readonly Stage[];
  #input: number;
  #lagged: number;
  /** Value behind all stages at the step before and at this one. */
  #before: number;
  #now: number;
  /** Turns of the pump's blades so far, in rad, and amplitude of its ripple now. */
  #bladeAngle = 0;
  #ripple = 0;
  readonly #openLoop: ReversalWindow | null;
  #isOpenLoop = false;
  #fault: SensorFault = { kind: 'none' };
  #reading = Number.NaN;
  #readingTime_s = Number.NEGATIVE_INFINITY;
  #nextUpdate_s: number;
  #spikeLeft = 0;
  #spike = 0;

  constructor(spec: SensorSpec, plant: Plant, random: Random) {
    this.spec = spec;
    this.#plant = plant;
    this.#random = random;
    const ratio = plant.dt_s / spec.lag_s;
    this.#decay = spec.lag_s > 0 ? Math.exp(-ratio) : 0;
    this.#newWeight = spec.lag_s > 0 ? 1 - (1 - this.#decay) / ratio : 1;
    this.#oldWeight = 1 - this.#decay - this.#newWeight;
    this.#step = spec.bits === null ? 0 : (spec.range[1] - spec.range[0]) / (2 ** spec.bits - 1);
    this.#humPhase = random.between(0, 2 * Math.PI);
    this.#input = readSignal(plant, spec.signal, spec.of);
    this.#lagged = this.#input;
    this.#before = this.#input;
    this.#now = this.#input;
    this.#details = spec.details ?? {};
    const { openLoop_s } = this.#details;
    this.#openLoop = openLoop_s === undefined ? null : new ReversalWindow(plant, [spec.of], openLoop_s);
    this.#stagesBefore = stagesBefore(this.#details, this.#input, plant.dt_s);
    this.#stagesAfter = stagesAfter(this.#details, this.#input, plant.dt_s);
    this.#nextUpdate_s =
      spec.update_s > 0 ? plant.time_s + random.between(0, spec.update_s) : Number.POSITIVE_INFINITY;
  }

  /** Follows the plant; call once after each of its steps. */
  follow(): void {
    let input = readSignal(this.#plant, this.spec.signal, this.spec.of);
    for (const stage of this.#stagesBefore) input = stage.next(input);
    this.#lagged = this.#decay * this.#lagged + this.#oldWeight * this.#input + this.#newWeight * input;
    this.#input = input;
    let shown = this.#lagged;
    for (const stage of this.#stagesAfter) shown = stage.next(shown);
    this.#before = this.#now;
    this.#now = shown;
    if (this.#details.ripple !== undefined) this.#followPump(this.#details.ripple);
    if (this.#openLoop !== null) this.#isOpenLoop = this.#openLoop.follow();
    const { time_s } = this.#plant;
    if (time_s >= this.#nextUpdate_s) {
      this.#nextUpdate_s +=
        this.spec.update_s * Math.ceil((time_s - this.#nextUpdate_s) / this.spec.update_s + 1e-9);
      this.#take(time_s, 1);
    }
  }

  /** Pulses at blade rate; they go with the speed squared and end with the drive: a pump that runs down against a shut valve is quiet. */
  #followPump({ amplitude, blades }: NonNullable<SensorDetails['ripple']>): void {
    const { pumpSpeed_ratio, spec, dt_s, hasDrive } = this.#plant;
    const speed = pumpSpeed_ratio[0] ?? 0;
    this.#bladeAngle += blades * speed * (spec.pumps[0]?.ratedSpeed_radps ?? 0) * dt_s;
    const wanted = hasDrive ? amplitude * speed ** 2 : 0;
    this.#ripple += (wanted - this.#ripple) * (dt_s / (rippleFade_s + dt_s));
  }

  /** The lagged signal without noise, `fraction` of a step (0..1) after the step before; SI. */
  lagged(fraction: number): number {
    return this.#before + (this.#now - this.#before) * fraction;
  }

  setFault(fault: SensorFault): void {
    this.#fault = fault;
    this.#spikeLeft = 0;
  }

  /**
   * A reading at `time_s` of the plant's clock, `fraction` of a step after the step before; SI. An instrument with an
   * update time of its own gives its last one.
   */
  read(time_s: number, fraction: number): number {
    if (this.spec.update_s > 0 && !Number.isNaN(this.#reading)) return this.#reading;
    return this.#take(time_s, fraction);
  }

  #take(time_s: number, fraction: number): number {
    const { spec } = this;
    const fault = this.#fault;
    if (fault.kind === 'frozen' && !Number.isNaN(this.#reading)) return this.#reading;
    const signal = this.#shownOf(this.lagged(fraction));
    let value = signal * spec.gain_ratio + spec.offset + spec.noise * this.#random.normal();
    if (spec.hum !== 0) value += spec.hum * this.#humAt(2 * Math.PI * spec.hum_Hz * time_s + this.#humPhase);
    if (this.#ripple !== 0) value += this.#ripple * Math.sin(this.#bladeAngle);
    if (fault.kind === 'spikes') value += this.#spikeAt(time_s, fault.rate_Hz, fault.height);
    this.#readingTime_s = time_s;
    if (this.#isOpenLoop) value = spec.range[0];
    this.#reading = this.#convert(value);
    return this.#reading;
  }

  /** What a meter that knows one direction only, or is blind near zero, makes of it. */
  #shownOf(signal: number): number {
    const { oneSided_ratio = 0, cutOff = 0 } = this.#details;
    const sided = signal < 0 && oneSided_ratio > 0 ? signal * (1 - oneSided_ratio) : signal;
    return Math.abs(sided) < cutOff ? 0 : sided;
  }

  /** Hum over its amplitude, with its harmonics. */
  #humAt(angle_rad: number): number {
    const { humHarmonics = [] } = this.#details;
    return humHarmonics.reduce(
      (sum, share, k) => sum + share * Math.sin((k + 2) * angle_rad),
      Math.sin(angle_rad),
    );
  }

  /**
   * The same as counts of a converter with `width` bits, whose first and last stand for the ends of the range:
   * count = (value - low) / (high - low) * (2^width - 1) - 2^(width - 1).
   */
  count(time_s: number, fraction: number, width: 16 | 24): number {
    const [low, high] = this.spec.range;
    const full = 2 ** width;
    const share = (this.read(time_s, fraction) - low) / (high - low);
    return Math.round(share * (full - 1)) - full / 2;
  }

  #spikeAt(time_s: number, rate_Hz: number, height: number): number {
    if (this.#spikeLeft === 0) {
      const since_s = Math.min(1, time_s - this.#readingTime_s);
      if (this.#random.uniform() >= rate_Hz * since_s) return 0;
      this.#spikeLeft = 1 + Math.floor(3 * this.#random.uniform());
      this.#spike = this.#random.between(0.2, 1) * height * (this.#random.uniform() < 0.5 ? -1 : 1);
    }
    this.#spikeLeft--;
    return this.#spike;
  }

  #convert(value: number): number {
    const { range } = this.spec;
    const fault = this.#fault;
    let low = range[0];
    let high = range[1];
    if (fault.kind === 'clipped') {
      low = Math.max(low, fault.range[0]);
      high = Math.min(high, fault.range[1]);
    }
    let result = value;
    if (value <= low || value >= high) {
      this.readingsClipped++;
      result = value <= low ? low : high;
    }
    return this.#step === 0 ? result : range[0] + Math.round((result - range[0]) / this.#step) * this.#step;
  }
}
