/**
 * What an instrument does to its signal between the water and its converter, as a chain of small models. Each stage is
 * called once a step of the plant, `dt_s` apart, with what the stage before it shows then.
 */

/** One model; state inside. The first value is where it starts, at rest. */
export interface Stage {
  next(input: number): number;
}

/** Instrument beyond lag, noise, hum, offset and gain. Absent parts do nothing. */
export interface SensorDetails {
  /** The line between pipe and sensor rings: a liquid column on a spring (gas, membrane), natural frequency and damping. */
  readonly line?: { readonly frequency_Hz: number; readonly damping_ratio: number };
  /** A second first-order element after the one of `lag_s`. */
  readonly secondLag_s?: number;
  /** Mean of so long. */
  readonly average_s?: number;
  /** Fastest change, SI of the signal per second. */
  readonly slewRate_perS?: number;
  readonly deadTime_s?: number;
  /** Share of what is below zero that is lost; 1: nothing below zero is shown. */
  readonly oneSided_ratio?: number;
  /** Magnitudes below this read 0, SI of the signal. */
  readonly cutOff?: number;
  /** Amplitudes of the second, third ... harmonic of the hum over its own. */
  readonly humHarmonics?: readonly number[];
  /** The loop is open for so long from each reversal of its leg's flow on: the low end of the range. */
  readonly openLoop_s?: number;
  /** Pressure pulses of the pump: amplitude at rated speed, SI of the signal; it goes with the speed squared. */
  readonly ripple?: { readonly amplitude: number; readonly blades: number };
}

/** What comes before the sensor's own response. */
export function stagesBefore({ line }: SensorDetails, start: number, dt_s: number): readonly Stage[] {
  return line === undefined ? [] : [new RingingLine(line.frequency_Hz, line.damping_ratio, start, dt_s)];
}

/** What comes after it, in the order of the signal. */
export function stagesAfter(details: SensorDetails, start: number, dt_s: number): readonly Stage[] {
  const { secondLag_s = 0, average_s = 0, slewRate_perS = 0, deadTime_s = 0 } = details;
  return [
    ...(secondLag_s > 0 ? [new Lag(secondLag_s, start, dt_s)] : []),
    ...(average_s > 0 ? [new Average(average_s, start, dt_s)] : []),
    ...(slewRate_perS > 0 ? [new SlewLimit(slewRate_perS * dt_s, start)] : []),
    ...(deadTime_s > 0 ? [new DeadTime(deadTime_s, start, dt_s)] : []),
  ];
}

/** Weights of an exponential of `ratio` steps for an input that is straight between two steps: state, old and new input. */
function holdWeights(ratio: number): readonly [decay: number, before: number, now: number] {
  const decay = Math.exp(-ratio);
  const now = 1 - (1 - decay) / ratio;
  return [decay, 1 - decay - now, now];
}

/** First order, exact for straight inputs. */
class Lag implements Stage {
  readonly #weights: readonly [number, number, number];
  #input: number;
  #value: number;

  constructor(lag_s: number, start: number, dt_s: number) {
    this.#weights = holdWeights(dt_s / lag_s);
    this.#input = start;
    this.#value = start;
  }

  next(input: number): number {
    const [decay, before, now] = this.#weights;
    this.#value = decay * this.#value + before * this.#input + now * input;
    this.#input = input;
    return this.#value;
  }
}

/**
 * Second order, y'' + 2 zeta w y' + w^2 (y - x) = 0, exact for straight inputs: with x = x0 + s t the error y - x + 2 zeta s / w
 * is a free damped oscillation. Damping below 1.
 */
class RingingLine implements Stage {
  readonly #circular: number;
  readonly #damping: number;
  readonly #dt_s: number;
  #input: number;
  #value: number;
  #slope = 0;

  constructor(frequency_Hz: number, damping_ratio: number, start: number, dt_s: number) {
    this.#circular = 2 * Math.PI * frequency_Hz;
    this.#damping = damping_ratio;
    this.#dt_s = dt_s;
    this.#input = start;
    this.#value = start;
  }

  next(input: number): number {
    const w = this.#circular;
    const zeta = this.#damping;
    const h = this.#dt_s;
    const slope = (input - this.#input) / h;
    const shift = (2 * zeta * slope) / w;
    // Free oscillation of e = y - x + shift from its value and slope at the step before.
    const e0 = this.#value - this.#input + shift;
    const v0 = this.#slope - slope;
    const damped = w * Math.sqrt(1 - zeta * zeta);
    const decay = Math.exp(-zeta * w * h);
    const cos = Math.cos(damped * h);
    const sin = Math.sin(damped * h);
    const quarter = (v0 + zeta * w * e0) / damped;
    const e1 = decay * (e0 * cos + quarter * sin);
    const v1 = decay * (v0 * cos - ((zeta * w * v0 + w * w * e0) / damped) * sin);
    this.#input = input;
    this.#value = e1 + input - shift;
    this.#slope = v1 + slope;
    return this.#value;
  }
}

class SlewLimit implements Stage {
  readonly #most: number;
  #value: number;

  constructor(most: number, start: number) {
    this.#most = most;
    this.#value = start;
  }

  next(input: number): number {
    this.#value += Math.min(this.#most, Math.max(-this.#most, input - this.#value));
    return this.#value;
  }
}

/** The last whole number of steps, at least one. */
class Memory {
  readonly #values: Float64Array;
  #at = 0;

  constructor(duration_s: number, start: number, dt_s: number) {
    this.#values = new Float64Array(Math.max(1, Math.round(duration_s / dt_s))).fill(start);
  }

  get length(): number {
    return this.#values.length;
  }

  /** Puts a value in and gives the one that falls out. */
  exchange(value: number): number {
    const oldest = this.#values[this.#at]!;
    this.#values[this.#at] = value;
    this.#at = (this.#at + 1) % this.#values.length;
    return oldest;
  }
}

class DeadTime implements Stage {
  readonly #memory: Memory;

  constructor(deadTime_s: number, start: number, dt_s: number) {
    this.#memory = new Memory(deadTime_s, start, dt_s);
  }

  next(input: number): number {
    return this.#memory.exchange(input);
  }
}

/** Moving mean: the digital filter of a meter. Kept as a sum of differences from the start, so that it does not drift. */
class Average implements Stage {
  readonly #memory: Memory;
  readonly #start: number;
  #sum = 0;

  constructor(average_s: number, start: number, dt_s: number) {
    this.#memory = new Memory(average_s, 0, dt_s);
    this.#start = start;
  }

  next(input: number): number {
    const value = input - this.#start;
    this.#sum += value - this.#memory.exchange(value);
    return this.#start + this.#sum / this.#memory.length;
  }
}
