/**
 * Control charts for drift: EWMA and tabular CUSUM, one new state a value, conventions of the NIST/SEMATECH e-Handbook
 * (6.3.2.4 and 6.3.2.3). States are plain JSON. Values of one chart share a unit.
 */

/** What an EWMA chart is set to. */
export interface EwmaChart {
  /** Target, or the mean of the time when all was well. */
  readonly target: number;
  /** Standard deviation of one value about it, > 0. */
  readonly deviation: number;
  /** Weight of the newest value, 0 < weight <= 1; 0.2 to 0.3 is usual. */
  readonly weight: number;
  /** Limits in standard deviations of the average; 3 is usual. */
  readonly width: number;
}

export interface EwmaState {
  readonly values: number;
  /** The weighted average so far; the target before the first value. */
  readonly average: number;
}

/** Where a chart's value stands. */
export type ChartSide = 'inside' | 'above' | 'below';

/** A chart before its first value. Throws RangeError for settings that are none. */
export function ewmaStart(chart: EwmaChart): EwmaState {
  const { target, deviation, weight, width } = chart;
  if (!(Number.isFinite(target) && deviation > 0 && weight > 0 && weight <= 1 && width > 0)) {
    throw new RangeError(
      `EWMA chart: ${JSON.stringify(chart)} found; deviation > 0, 0 < weight <= 1, width > 0 allowed`,
    );
  }
  return { values: 0, average: target };
}

/** The state after one more value: average = weight * value + (1 - weight) * average. Throws RangeError for NaN. */
export function ewmaNext(chart: EwmaChart, state: EwmaState, value: number): EwmaState {
  finite(value);
  return {
    values: state.values + 1,
    average: chart.weight * value + (1 - chart.weight) * state.average,
  };
}

/**
 * Limits for the average after `values` values: target +- width * deviation * sqrt(weight / (2 - weight)
 * [1 - (1 - weight)^(2 values)]). Leave `values` out for the limits of a long chart, which the e-Handbook draws.
 */
export function ewmaLimits(
  { target, deviation, weight, width }: EwmaChart,
  values = Infinity,
): { readonly low: number; readonly high: number } {
  const started = 1 - (1 - weight) ** (2 * values);
  const half = width * deviation * Math.sqrt((weight / (2 - weight)) * started);
  return { low: target - half, high: target + half };
}

/** Whether the average has left the long chart's limits, and where to. */
export function ewmaSide(chart: EwmaChart, { average }: EwmaState): ChartSide {
  const { low, high } = ewmaLimits(chart);
  return average > high ? 'above' : average < low ? 'below' : 'inside';
}

/** What a tabular CUSUM is set to, all in the unit of the values. */
export interface CusumChart {
  readonly target: number;
  /** What a value may miss the target without adding up: half the shift to be found. Often called k. */
  readonly slack: number;
  /** Sum from which it signals; 4 to 5 standard deviations is usual. Often called h. */
  readonly decision: number;
}

export interface CusumState {
  readonly values: number;
  /** Sum of what was too high, and of what was too low; both >= 0. */
  readonly high: number;
  readonly low: number;
  /** Plain sum of value - target, for the drawn curve. */
  readonly sum: number;
  /** Values since each side was last 0: tells when a shift began. */
  readonly highRun: number;
  readonly lowRun: number;
}

/** A chart before its first value. Throws RangeError for settings that are none. */
export function cusumStart(chart: CusumChart): CusumState {
  if (!(Number.isFinite(chart.target) && chart.slack >= 0 && chart.decision > 0)) {
    throw new RangeError(`CUSUM chart: ${JSON.stringify(chart)} found; slack >= 0, decision > 0 allowed`);
  }
  return { values: 0, high: 0, low: 0, sum: 0, highRun: 0, lowRun: 0 };
}

/**
 * The state after one more value. high = max(0, high + value - target - slack), low = max(0, low + target - slack -
 * value). A chart that signals goes on: whoever acts on it starts a new one. Throws RangeError for NaN.
 */
export function cusumNext(chart: CusumChart, state: CusumState, value: number): CusumState {
  finite(value);
  const miss = value - chart.target;
  const high = Math.max(0, state.high + miss - chart.slack);
  const low = Math.max(0, state.low - miss - chart.slack);
  return {
    values: state.values + 1,
    high,
    low,
    sum: state.sum + miss,
    highRun: high > 0 ? state.highRun + 1 : 0,
    lowRun: low > 0 ? state.lowRun + 1 : 0,
  };
}

/** Whether a sum has passed the decision value; the larger one when both have. */
export function cusumSide(chart: CusumChart, { high, low }: CusumState): ChartSide {
  if (Math.max(high, low) <= chart.decision) return 'inside';
  return high >= low ? 'above' : 'below';
}

function finite(value: number): void {
  if (!Number.isFinite(value)) throw new RangeError(`chart: ${value} found, a finite number allowed`);
}
