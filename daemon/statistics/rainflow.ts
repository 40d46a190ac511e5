/** Rainflow counting after ASTM E1049-85, 5.4.4, sample by sample: what a pressure that never rests does to a pipe. */

/** One counted cycle; `range` and `mean` in the unit of the samples, indexes counted from the first sample pushed. */
export interface Cycle {
  readonly range: number;
  readonly mean: number;
  /** 1, or 0.5 for a range that began with the record or was still open at its end. */
  readonly count: number;
  readonly startIndex: number;
  readonly endIndex: number;
}

/** Where counted cycles go; called once a cycle, in the order in which they close. */
export type CycleSink = (
  range: number,
  mean: number,
  count: number,
  startIndex: number,
  endIndex: number,
) => void;

/** Everything a counter remembers, as plain JSON: counting goes on from it as if never interrupted. */
export interface RainflowState {
  readonly version: 1;
  /** Reversals smaller than this were not counted, in the unit of the samples: belongs to the counts. */
  readonly gate: number;
  readonly samples: number;
  readonly ignored: number;
  /** 1 rising, -1 falling, 0 before the first reversal. */
  readonly direction: -1 | 0 | 1;
  /** Highest and lowest value since the last reversal, with their indexes. */
  readonly high: number;
  readonly highIndex: number;
  readonly low: number;
  readonly lowIndex: number;
  /** Reversals whose ranges are still open, oldest first. */
  readonly residue: readonly { readonly value: number; readonly index: number }[];
}

/**
 * Streaming counter. Push samples in any portions: the cycles are those of the whole history at once. A range counts
 * only when it reaches `gate` (hysteresis; 3 to 5 standard deviations of the noise, or noise fills the counts; 0 counts
 * every reversal). Equal neighbours are one sample. Samples that are no numbers are passed over and counted in
 * `ignored`. The residue holds ever smaller ranges: at most twice the whole range over the step of the samples.
 */
export class Rainflow {
  readonly gate: number;
  /** Samples that were no finite numbers. */
  ignored = 0;
  #sink: CycleSink;
  #samples = 0;
  #direction: -1 | 0 | 1 = 0;
  #high = 0;
  #highIndex = -1;
  #low = 0;
  #lowIndex = -1;
  readonly #values: number[] = [];
  readonly #indexes: number[] = [];

  /** Starts empty, or from a stored state. Throws RangeError for a gate below 0 or a state of another form. */
  constructor(gate: number, sink: CycleSink, state: RainflowState | null = null) {
    if (!(gate >= 0 && gate < Infinity)) throw new RangeError(`rainflow gate: ${gate} found, >= 0 allowed`);
    this.gate = gate;
    this.#sink = sink;
    if (state === null) return;
    if (state.version !== 1 || state.gate !== gate) {
      throw new RangeError(
        `rainflow state: version ${state.version}, gate ${state.gate} found; version 1, gate ${gate} allowed`,
      );
    }
    this.ignored = state.ignored;
    this.#samples = state.samples;
    this.#direction = state.direction;
    this.#high = state.high;
    this.#highIndex = state.highIndex;
    this.#low = state.low;
    this.#lowIndex = state.lowIndex;
    for (const { value, index } of state.residue) {
      this.#values.push(value);
      this.#indexes.push(index);
    }
  }

  /** Samples pushed so far, ignored ones included; the next one gets this index. */
  get samples(): number {
    return this.#samples;
  }

  /** Takes the next samples `[first, end)` of an array. */
  push(samples: ArrayLike<number>, first = 0, end = samples.length): void {
    for (let k = first; k < end; k++) this.#take(samples[k]);
  }

  /** What to store to go on later; a copy. */
  state(): RainflowState {
    return {
      version: 1,
      gate: this.gate,
      samples: this.#samples,
      ignored: this.ignored,
      direction: this.#direction,
      high: this.#high,
      highIndex: this.#highIndex,
      low: this.#low,
      lowIndex: this.#lowIndex,
      residue: this.#values.map((value, i) => ({ value, index: this.#indexes[i] })),
    };
  }

  /**
   * The ranges still open, as if the history ended here: those that the last extreme closes, then half a cycle for each
   * that remains. Changes nothing; add it to the counts for a report, never to stored counts.
   */
  open(): Cycle[] {
    const cycles: Cycle[] = [];
    const copy = new Rainflow(this.gate, listing(cycles), this.state());
    if (copy.#direction > 0) copy.#reverse(copy.#high, copy.#highIndex);
    else if (copy.#direction < 0) copy.#reverse(copy.#low, copy.#lowIndex);
    for (let k = 1; k < copy.#values.length; k++) copy.#count(k, 0.5);
    return cycles;
  }

  #take(value: number): void {
    const index = this.#samples++;
    if (!Number.isFinite(value)) {
      this.ignored++;
      return;
    }
    if (this.#highIndex < 0) {
      this.#high = this.#low = value;
      this.#highIndex = this.#lowIndex = index;
      return;
    }
    if (value > this.#high) {
      this.#high = value;
      this.#highIndex = index;
    }
    if (value < this.#low) {
      this.#low = value;
      this.#lowIndex = index;
    }
    const gate = this.gate;
    if (this.#direction <= 0 && value > this.#low && value - this.#low >= gate) {
      this.#reverse(this.#low, this.#lowIndex);
      this.#direction = 1;
      this.#high = value;
      this.#highIndex = index;
    } else if (this.#direction >= 0 && value < this.#high && this.#high - value >= gate) {
      this.#reverse(this.#high, this.#highIndex);
      this.#direction = -1;
      this.#low = value;
      this.#lowIndex = index;
    }
  }

  /** A new reversal point: counts every range it closes (E1049-85, 5.4.4 steps 2 to 6). */
  #reverse(value: number, index: number): void {
    const values = this.#values;
    values.push(value);
    this.#indexes.push(index);
    while (values.length >= 3) {
      const last = values.length - 1;
      const newest = Math.abs(values[last] - values[last - 1]);
      if (newest < Math.abs(values[last - 1] - values[last - 2])) return;
      if (last === 2) {
        // The range holds the start of the history: half a cycle, and the start moves on.
        this.#count(1, 0.5);
        values.shift();
        this.#indexes.shift();
      } else {
        this.#count(last - 1, 1);
        values.splice(last - 2, 2);
        this.#indexes.splice(last - 2, 2);
      }
    }
  }

  #count(end: number, count: number): void {
    const a = this.#values[end - 1];
    const b = this.#values[end];
    this.#sink(Math.abs(b - a), a + (b - a) / 2, count, this.#indexes[end - 1], this.#indexes[end]);
  }
}

/** A sink that puts cycles into a list. */
export function listing(into: Cycle[]): CycleSink {
  return (range, mean, count, startIndex, endIndex) =>
    into.push({ range, mean, count, startIndex, endIndex });
}

/** All cycles of a finished history, in the order in which they close, the open halves last. */
export function rainflow(samples: ArrayLike<number>, gate = 0): Cycle[] {
  const cycles: Cycle[] = [];
  const counter = new Rainflow(gate, listing(cycles));
  counter.push(samples);
  return [...cycles, ...counter.open()];
}

/**
 * Cycles of one period of a history that repeats for ever (E1049-85, 5.4.5): begun at its highest sample, so that every
 * range closes and counts 1. Indexes are those of `samples`. Empty for a history without a change.
 */
export function rainflowRepeating(samples: ArrayLike<number>, gate = 0): Cycle[] {
  const good = Array.from(samples, (value, index) => ({ value, index })).filter(({ value }) =>
    Number.isFinite(value),
  );
  if (good.length === 0) return [];
  let top = 0;
  for (let k = 1; k < good.length; k++) if (good[k].value > good[top].value) top = k;
  const order = [...good.slice(top), ...good.slice(0, top), good[top]];
  const halves = rainflow(
    order.map(({ value }) => value),
    gate,
  );
  // The largest range opens and ends at the top: its two halves are one cycle.
  const cycles: Cycle[] = [];
  let first: Cycle | null = null;
  for (const half of halves) {
    const one = { ...half, startIndex: order[half.startIndex].index, endIndex: order[half.endIndex].index };
    if (half.count === 1) cycles.push(one);
    else if (first === null) first = one;
    else {
      cycles.push({ ...first, count: 1 });
      first = null;
    }
  }
  return cycles;
}
