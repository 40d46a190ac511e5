/**
 * The wave speed of each leg day by day, from the ring-downs of its verdicts: a control chart, and the free gas that would
 * explain what is missing. Kept as rows of the index, which can be had from the event folders again; the chart is made when
 * it is read.
 */
import type { RigConfig } from '../../config/rig.ts';
import type { Verdict } from '../analysis/verdict.ts';
import { freeGas_ratio } from '../hydraulics/gas.ts';
import {
  type CusumChart,
  cusumNext,
  cusumSide,
  cusumStart,
  type EwmaChart,
  ewmaLimits,
  ewmaNext,
  ewmaSide,
  ewmaStart,
} from '../statistics/charts.ts';
import type { WaveSpeedRow } from '../store/event-index.ts';

/** No date lies further from 1970, in ms (ECMA-262, time values). */
const latest_ms = 8.64e15;

/** One UTC day of a leg's wave speed; chart values are null while the chart learns. */
export interface WaveSpeedDay {
  /** `2026-03-02`. */
  readonly day: string;
  readonly events: number;
  /** Of the day's ring-downs, and the middle of their 95 % intervals. */
  readonly median_mps: number;
  readonly low_mps: number;
  readonly high_mps: number;
  /** Without gas, as the rig was taken for. */
  readonly expected_mps: number;
  /** Share of the volume at the pressure of the leg at rest; null where no mixture explains it. 95 % interval. */
  readonly freeGas_ratio: number | null;
  readonly freeGasLow_ratio: number | null;
  readonly freeGasHigh_ratio: number | null;
  readonly ewma_mps: number | null;
  readonly cusumHigh_mps: number | null;
  readonly cusumLow_mps: number | null;
  /** Whether EWMA or CUSUM signals, and where to. */
  readonly side: 'inside' | 'above' | 'below' | null;
}

/** GET /api/legs/:id/wave-speed: control chart of the day's value, oldest first. */
export interface WaveSpeedView {
  readonly leg: string;
  readonly days: readonly WaveSpeedDay[];
  /** Null until `baselineDays` days are known. */
  readonly chart: {
    readonly target_mps: number;
    readonly deviation_mps: number;
    readonly ewmaLow_mps: number;
    readonly ewmaHigh_mps: number;
    /** CUSUM sums signal above this. */
    readonly decision_mps: number;
  } | null;
  readonly baselineDays: number;
  readonly gasLimit_ratio: number;
  /** One sentence about the newest day; null when there is nothing to say. */
  readonly warning: string | null;
}

/** Days that the chart learns its target and scatter from (judgement). */
export const baselineDays = 10;
/** A day's scatter is never taken for less: a hundred ring-downs still share one length and one temperature (judgement). */
const leastScatter_ratio = 0.001;
/** Weight and limits of the EWMA, slack and decision of the CUSUM in standard deviations: usual values (charts.ts). */
const weight = 0.25;
const width = 3;
const slack = 0.5;
const decision = 5;
/**
 * Free gas from which the newest day carries a warning: 1 part in 10 000 at atmospheric pressure halves the wave speed
 * (Pearsall, The velocity of water hammer waves, Proc. IMechE 1965-66, abstract).
 */
export const gasLimit_ratio = 1e-4;

/** The rows of a verdict: one for each leg whose ring-down was good enough to name a wave speed. */
export function waveSpeedRows(config: RigConfig, verdict: Verdict, wall_ms: number): readonly WaveSpeedRow[] {
  return verdict.legs.flatMap(({ leg: id, active, results }) => {
    const leg = config.legs.find((each) => each.id === id);
    if (leg === undefined || !active) return [];
    const { waveSpeed, staticAfter } = results;
    if (waveSpeed.value === null) return [];
    const rest_Pa = staticAfter.value ?? config.trip.tank?.setPoint_Pa ?? null;
    if (rest_Pa === null) return [];
    return [
      {
        leg: id,
        wall_ms,
        value_mps: waveSpeed.value,
        low_mps: waveSpeed.low,
        high_mps: waveSpeed.high,
        expected_mps: leg.waveSpeed_mps,
        expectedHalfWidth_mps: leg.waveSpeedHalfWidth_mps,
        pressure_PaAbs: rest_Pa + config.atmosphere_PaAbs,
        density_kgpm3: config.liquid.density_kgpm3,
        bulkModulus_Pa: config.liquid.bulkModulus_Pa,
        temperature_K: config.liquid.temperature_K,
      },
    ].filter(isSound);
  });
}

/** Whether all of it can be computed with: a row of one bad event must not cost the chart of its leg. */
function isSound({ leg: _leg, wall_ms, expectedHalfWidth_mps, ...positive }: WaveSpeedRow): boolean {
  const isInTime = Number.isFinite(wall_ms) && Math.abs(wall_ms) < latest_ms;
  return isInTime && expectedHalfWidth_mps >= 0 && Object.values(positive).every(isPositive);
}

function isPositive(value: unknown): boolean {
  return typeof value === 'number' && Number.isFinite(value) && value > 0;
}

/** The chart of one leg from its rows, oldest first. Days are UTC. A leg without a row has no days. */
export function waveSpeedChart(leg: string, rows: readonly WaveSpeedRow[]): WaveSpeedView {
  const byDay = new Map<string, WaveSpeedRow[]>();
  for (const row of rows.filter(isSound)) {
    const day = new Date(row.wall_ms).toISOString().slice(0, 10);
    const list = byDay.get(day);
    if (list === undefined) byDay.set(day, [row]);
    else list.push(row);
  }
  const days = [...byDay].map(([day, list]) => dayOf(day, list));
  const since = sinceChange(days);
  const chart = learn(days.slice(since, since + baselineDays).map(({ median_mps }) => median_mps));
  const drawn = chart === null ? days : [...days.slice(0, since), ...follow(days.slice(since), chart)];
  return {
    leg,
    days: drawn,
    chart:
      chart === null
        ? null
        : {
            target_mps: chart.ewma.target,
            deviation_mps: chart.ewma.deviation,
            ewmaLow_mps: ewmaLimits(chart.ewma).low,
            ewmaHigh_mps: ewmaLimits(chart.ewma).high,
            decision_mps: chart.cusum.decision,
          },
    baselineDays,
    gasLimit_ratio,
    warning: warningOf(leg, drawn.at(-1)),
  };
}

/** First day with what the rig is taken for now: another pipe, liquid or given wave speed begins a new chart. */
function sinceChange(days: readonly WaveSpeedDay[]): number {
  const now_mps = days.at(-1)?.expected_mps ?? 0;
  let since = days.length;
  while (since > 0 && Math.abs(days[since - 1].expected_mps - now_mps) < 1e-6 * now_mps) since--;
  return since;
}

function dayOf(day: string, rows: readonly WaveSpeedRow[]): WaveSpeedDay {
  const median_mps = medianOf(rows.map(({ value_mps }) => value_mps));
  const low_mps = medianOf(rows.map((row) => row.low_mps));
  const high_mps = medianOf(rows.map((row) => row.high_mps));
  const [{ expected_mps, expectedHalfWidth_mps }] = rows.slice(-1);
  const pressure_PaAbs = medianOf(rows.map((row) => row.pressure_PaAbs));
  const [{ density_kgpm3, bulkModulus_Pa, temperature_K }] = rows.slice(-1);
  const gasAt = (speed_mps: number) =>
    freeGas_ratio(
      expected_mps,
      Math.max(1, speed_mps),
      { density_kgpm3, bulkModulus_Pa },
      { pressure_PaAbs, polytropic_ratio: 1, temperature_K },
    );
  // The doubt of both speeds, as if it were all in the measured one.
  const half_mps = Math.hypot((high_mps - low_mps) / 2, expectedHalfWidth_mps);
  return {
    day,
    events: rows.length,
    median_mps,
    low_mps,
    high_mps,
    expected_mps,
    freeGas_ratio: gasAt(median_mps),
    freeGasLow_ratio: gasAt(median_mps + half_mps),
    freeGasHigh_ratio: gasAt(median_mps - half_mps),
    ewma_mps: null,
    cusumHigh_mps: null,
    cusumLow_mps: null,
    side: null,
  };
}

interface Chart {
  readonly ewma: EwmaChart;
  readonly cusum: CusumChart;
}

/** Null until there are enough days. */
function learn(medians: readonly number[]): Chart | null {
  if (medians.length < baselineDays) return null;
  const target = medians.reduce((sum, value) => sum + value, 0) / medians.length;
  const squares = medians.reduce((sum, value) => sum + (value - target) ** 2, 0);
  const deviation = Math.max(Math.sqrt(squares / (medians.length - 1)), leastScatter_ratio * target);
  return {
    ewma: { target, deviation, weight, width },
    cusum: { target, slack: slack * deviation, decision: decision * deviation },
  };
}

/** Both charts run from the first day on, so that the days of learning are drawn as well. */
function follow(days: readonly WaveSpeedDay[], { ewma, cusum }: Chart): WaveSpeedDay[] {
  let average = ewmaStart(ewma);
  let sums = cusumStart(cusum);
  return days.map((day) => {
    average = ewmaNext(ewma, average, day.median_mps);
    sums = cusumNext(cusum, sums, day.median_mps);
    const side = ewmaSide(ewma, average);
    return {
      ...day,
      ewma_mps: average.average,
      cusumHigh_mps: sums.high,
      cusumLow_mps: sums.low,
      side: side === 'inside' ? cusumSide(cusum, sums) : side,
    };
  });
}

/** About the newest day: gas first, since it explains a fall; then a shift of any other cause. */
function warningOf(leg: string, day: WaveSpeedDay | undefined): string | null {
  if (day === undefined) return null;
  const speeds = `wave speed ${Math.round(day.median_mps)} m/s in leg ${leg} on ${day.day}, ${Math.round(day.expected_mps)} m/s expected without gas`;
  const isSure = day.freeGasLow_ratio === null || day.freeGasLow_ratio > 0;
  if (day.freeGas_ratio === null)
    return `${speeds}: less than any mixture of water and air has; check length and bore`;
  if (day.freeGas_ratio >= gasLimit_ratio && isSure) {
    return (
      `${speeds}: ${part(day.freeGas_ratio)} of free gas by volume would explain it (limit ${part(gasLimit_ratio)}). ` +
      'Vent the leg and let the tank stand; reverse velocities found with the expected wave speed are too low meanwhile'
    );
  }
  if (day.side === 'inside' || day.side === null) return null;
  return `${speeds}: it has shifted ${day.side} what its first ${baselineDays} days had; gas, temperature, or a change at the pipe`;
}

function part(ratio: number): string {
  return `${Number((ratio * 1e6).toPrecision(2))} ppm`;
}

function medianOf(values: readonly number[]): number {
  const sorted = [...values].sort((a, b) => a - b);
  const middle = sorted.length >> 1;
  return sorted.length % 2 === 1 ? sorted[middle] : (sorted[middle - 1] + sorted[middle]) / 2;
}
