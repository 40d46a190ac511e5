/** Levels before and after: approach velocity, static before, static after. */
import { fitColumns, fitLine, type LineFit, lineUncertainty, onLine } from '../../statistics/fit.ts';
import { indexAt, mean, onto, range, type Samples, type Span } from '../../statistics/samples.ts';
import { type Estimate, ofInterval, ofRectangle, together } from '../../statistics/uncertainty.ts';
import { type Channel, delayDoubt_s, type LegSignals } from '../reading/leg-signals.ts';
import { blind, within } from '../reading/missing.ts';
import { fitRing, type RingFit } from './ring.ts';

/** The steady second before a trip, relative to it, in s. */
export const steadyFrom_s = 0.8;
export const steadyTo_s = 0.06;

/** Window of the steady state before an instant, in s: 0.8 to 0.06 s before it. */
export function steadySpan(trip_s: number): Span {
  return { from_s: trip_s - steadyFrom_s, to_s: trip_s - steadyTo_s };
}

/** Line through the steady part of a channel; null when it holds fewer than five samples. */
export function steadyLine(samples: Samples, trip_s: number): LineFit | null {
  const line = fitLine(samples, steadySpan(trip_s));
  return line !== null && line.n >= 5 ? line : null;
}

/** What is held of a meter: its first-order lag and its reading at rest, from the configuration or from the record. */
export interface MeterKnowledge {
  readonly lag_s: Estimate;
  readonly zero_mps: Estimate;
}

/** As configured: the zero is in the fixed part of the calibration's uncertainty. */
export function configuredMeter(meter: Channel): MeterKnowledge {
  const { responseTime_s, responseTimeHalfWidth_s, uncertainty } = meter.series.channel;
  return {
    lag_s: { value: responseTime_s, uncertainty: ofInterval(responseTimeHalfWidth_s) },
    zero_mps: { value: 0, uncertainty: uncertainty.absolute },
  };
}

/**
 * Approach velocity at the trip in m/s: line through the meter, shifted by its lag (a first-order meter shows a ramp
 * late by its response time). With 40 samples or more a parabola over the last 0.75 s replaces the line: in a fast fill
 * the flow falls ever faster, and the line read 15 mm/s high (median over simulated fills of 2.6 s; the parabola 2.5). Uncertainty: scatter, lag, calibration. Null without a steady part.
 */
export function approach(
  meter: Channel,
  trip_s: number,
  known: MeterKnowledge = configuredMeter(meter),
): Estimate | null {
  const line = steadyLine(meter.samples, trip_s);
  if (line === null) return null;
  const { uncertainty } = meter.series.channel;
  const late_s = known.lag_s.value;
  const bent = parabola(meter, trip_s, late_s);
  const value = (bent?.value ?? onLine(line, trip_s) + late_s * line.slope) - known.zero_mps.value;
  const slope = bent?.slope ?? line.slope;
  return {
    value,
    uncertainty: together(
      bent?.uncertainty ?? lineUncertainty(line, trip_s),
      together(known.lag_s.uncertainty, delayDoubt_s(meter)) * Math.abs(slope),
      known.zero_mps.uncertainty,
      uncertainty.relative * value,
      // What the flow bends more than a line or a parabola; the lag multiplies the error of the slope.
      bent === null ? 0.01 : 0.003 + 0.01 * known.lag_s.value,
      stillRising(meter, trip_s, late_s) * value,
    ),
  };
}

/**
 * What a meter may still lack of a flow that began with the record, as a share of it: exp(-run / lag) where the run before the trip is
 * shorter than three lags, taken as a rectangle's half-width; else 0.
 */
function stillRising(meter: Channel, trip_s: number, lag_s: number): number {
  const run_s = trip_s - meter.samples.time_s[0];
  return run_s < 3 * lag_s ? Math.exp(-run_s / lag_s) / Math.sqrt(3) : 0;
}

/** Parabola up to the trip, `late_s` of its slope added; null with fewer than 40 samples. */
function parabola(
  meter: Channel,
  trip_s: number,
  late_s: number,
): { readonly value: number; readonly slope: number; readonly uncertainty: number } | null {
  const [first, end] = range(meter.samples.time_s, { from_s: trip_s - 0.75, to_s: trip_s - 0.005 });
  if (end - first < 40) return null;
  const t = meter.samples.time_s.slice(first, end).map((at_s) => at_s - trip_s);
  const fit = fitColumns(
    [new Float64Array(t.length).fill(1), t, t.map((x) => x * x)],
    meter.samples.value.slice(first, end),
  );
  if (fit === null) return null;
  const [level, slope] = fit.coefficients;
  // V = Vm + lag Vm' holds for any course; at the trip t = 0.
  const row = [1, late_s, 0];
  let variance = 0;
  for (let i = 0; i < 3; i++)
    for (let j = 0; j < 3; j++) variance += row[i] * row[j] * fit.inverse[3 * i + j];
  return { value: level + late_s * slope, slope, uncertainty: fit.sigma * Math.sqrt(Math.max(0, variance)) };
}

/** The level that the outlet settles to, and the ring-down about it. */
export interface Settled {
  /** Level of the outlet at an instant, in Pa: tank plus offset, or the fitted level with its drift. */
  level_Pa(at_s: number): number;
  readonly uncertainty_Pa: number;
  readonly ring: RingFit | null;
  readonly method: string;
  readonly span: Span;
  /** Offset between outlet and tank at rest, in Pa; null without a tank channel. */
  readonly tankOffset_Pa: number | null;
}

/**
 * Settled level after seating. With a tank channel the difference outlet - tank is fitted, which takes the slow
 * cooling of the tank out; else the outlet itself with a drift. Null when the record ends too soon. `approach_mps` bounds what
 * was cut off above the measuring range.
 */
export function settle(signals: LegSignals, seating_s: number, approach_mps = 0): Settled | null {
  const { ring_s } = signals.constants;
  const outlet = signals.outlet.samples;
  const last_s = outlet.time_s[outlet.time_s.length - 1];
  const tank = signals.tank === null ? null : tankAfter(signals.tank, seating_s);
  const source = tank === null ? outlet : minus(outlet, signals.tank as Channel);
  const from_s = seating_s + Math.max(2.5 * ring_s, 0.08);
  const to_s = Math.min(last_s, seating_s + Math.max(0.95, 16 * ring_s));
  const span: Span = { from_s, to_s };
  const ring = to_s - from_s < 2 * ring_s ? null : fitRing(source, seating_s, span, 1 / ring_s);
  const whole = lateLevel(source, seating_s, last_s, ring?.frequency_Hz ?? 1 / ring_s, tank !== null);
  // Waves do not cancel over a window with holes.
  const torn = holed(signals, seating_s) ? 2.5 : 1;
  const late = whole && { ...whole, uncertainty_Pa: torn * whole.uncertainty_Pa };
  const byRing_Pa = ring === null ? Number.POSITIVE_INFINITY : torn * 2 * ring.levelUncertainty_Pa;
  if (ring !== null && (late === null || (ring.explained >= 0.3 && byRing_Pa < late.uncertainty_Pa))) {
    const cut = cutOff(signals, span, approach_mps);
    const offset_Pa = ring.level_Pa + cut.value;
    return {
      level_Pa: (at_s) => offset_Pa + ring.drift_Paps * (at_s - seating_s) + (tank?.level_Pa(at_s) ?? 0),
      uncertainty_Pa: together(byRing_Pa, tank?.uncertainty_Pa ?? 0, cut.uncertainty),
      ring,
      method:
        tank === null ? 'level of the ring-down fit' : 'tank pressure plus offset from the ring-down fit',
      span,
      tankOffset_Pa: tank === null ? null : offset_Pa,
    };
  }
  if (late === null) return null;
  const cut = cutOff(signals, late.span, approach_mps);
  return {
    level_Pa: (at_s) => late.level_Pa(at_s) + cut.value + (tank?.level_Pa(at_s) ?? 0),
    uncertainty_Pa: together(late.uncertainty_Pa, tank?.uncertainty_Pa ?? 0, cut.uncertainty),
    ring,
    method: tank === null ? 'line through the settled outlet' : 'tank pressure plus settled offset',
    span: late.span,
    tankOffset_Pa: tank === null ? null : late.level_Pa(seating_s) + cut.value,
  };
}

/** Whether samples of outlet or tank are missing about the seating or while the outlet settles. */
function holed({ outlet, tank }: LegSignals, seating_s: number): boolean {
  const span = { from_s: seating_s - 0.25, to_s: Number.POSITIVE_INFINITY };
  return [outlet, tank].some(
    (channel) => channel !== null && within(blind(channel.missing), span).length > 0,
  );
}

/**
 * What the mean of a window lacks because pulses ran over the top of the measuring range, in Pa. A pulse stands at most as
 * high over the top as the column's own velocity can make it (Joukowsky) over the level; how high is not known, so all values up to
 * that count alike (JCGM 100:2008, 4.3.7), weighted by the share of samples at the top.
 */
function cutOff({ outlet, constants }: LegSignals, span: Span, approach_mps: number): Estimate {
  const [low_Pa, high_Pa] = outlet.series.channel.range;
  const [first, end] = range(outlet.samples.time_s, span);
  const middle_Pa = (low_Pa + high_Pa) / 2;
  const { value } = outlet.samples;
  let cut = 0;
  let below_Pa = 0;
  for (let k = first; k < end; k++) below_Pa += value[k];
  for (const t of outlet.clipped_s) {
    if (t < span.from_s || t > span.to_s) continue;
    if (value[indexAt(outlet.samples.time_s, t - 1e-9)] > middle_Pa) cut++;
  }
  if (cut === 0) return { value: 0, uncertainty: 0 };
  const level_Pa = below_Pa / (end - first);
  const most_Pa = Math.max(
    0,
    level_Pa + constants.density_kgpm3 * constants.waveSpeed_mps * approach_mps - high_Pa,
  );
  const share = cut / (end - first);
  return { value: (share * most_Pa) / 2, uncertainty: share * ofRectangle(most_Pa / 2) };
}

/**
 * Level of the late part of the record, over a whole number of ring periods so that what is left of the ring-down
 * cancels: a mean where the tank's drift is already taken off, else a line. Null when it is shorter than three periods.
 */
function lateLevel(
  source: Samples,
  seating_s: number,
  last_s: number,
  frequency_Hz: number,
  isFlat: boolean,
): { level_Pa(at_s: number): number; readonly uncertainty_Pa: number; readonly span: Span } | null {
  const from_s = seating_s + Math.max(0.35, 8 / frequency_Hz);
  const periods = Math.floor((last_s - from_s) * frequency_Hz);
  if (periods < 3) return null;
  const span: Span = { from_s: last_s - periods / frequency_Hz, to_s: last_s };
  const line = settledLine(source, span);
  if (line === null) return null;
  // Neighbouring samples of a ring are alike: two independent readings a period.
  const stretch = Math.sqrt(Math.max(1, line.n / (2 * periods)));
  if (isFlat) {
    const [first, end] = range(source.time_s, span);
    const level = mean(source.value, first, end) ?? line.level;
    const tilt_Pa = Math.abs(line.slope) * 0.25 * (span.to_s - span.from_s);
    return {
      level_Pa: () => level,
      uncertainty_Pa: together((0.5 * stretch * line.sigma) / Math.sqrt(line.n), 0.3 * tilt_Pa, 100),
      span,
    };
  }
  return {
    level_Pa: (at_s) => onLine(line, at_s),
    uncertainty_Pa: together(stretch * lineUncertainty(line, seating_s + 0.05), 300),
    span,
  };
}

function settledLine(source: Samples, span: Span): LineFit | null {
  const line = fitLine(source, span);
  return line !== null && line.n >= 10 ? line : null;
}

/** Outlet minus tank on the outlet's axis. */
function minus(outlet: Samples, tank: Channel): Samples {
  const value = onto(tank.samples, outlet.time_s);
  for (let k = 0; k < value.length; k++) value[k] = outlet.value[k] - value[k];
  return { time_s: outlet.time_s, value };
}

/** Tank level just after seating as a line over 0.2 s (0.6 s of a slow channel), evaluated where wanted. */
function tankAfter(
  tank: Channel,
  seating_s: number,
): { level_Pa(at_s: number): number; readonly uncertainty_Pa: number } | null {
  const near = fitLine(tank.samples, { from_s: seating_s - 0.05, to_s: seating_s + 0.15 });
  // While another leg still flows the tank's pressure is bent.
  const line =
    near !== null && near.n >= 15
      ? near
      : fitLine(tank.samples, { from_s: seating_s, to_s: seating_s + 0.6 });
  if (line === null || line.n < 10) return null;
  return {
    level_Pa: (at_s) => onLine(line, at_s),
    uncertainty_Pa: 2 * lineUncertainty(line, seating_s + 0.05),
  };
}

/**
 * Pressure at the outlet tap for no flow through the leg, sample by sample: what the tank holds against the column.
 * With a tank channel it is that channel plus the settled offset. Without one the tank is taken to fill in proportion
 * to the flow: level after minus the rest of the rise, from the slope before the trip.
 */
export interface BackPressure {
  /** On the outlet's axis, in Pa. */
  readonly value: Float64Array;
  /** Extra pressure at approach velocity, in Pa: friction and exit, falling with the square of the velocity. */
  readonly loss_Pa: number;
  readonly uncertainty_Pa: number;
}

/** How the column is stopped. `trip_s` < `seating_s`, both in s from the origin. */
export interface Stop {
  readonly trip_s: number;
  readonly seating_s: number;
  /** Volume since the trip over the flow at it, in s. */
  readonly flowShare: (elapsed_s: number) => number;
  /** Slope of the meter before the trip. */
  readonly steadyChange_mps2: number;
}

/**
 * The back pressure on the outlet's axis, gauge Pa, one value a sample. Never throws; without a tank channel its
 * uncertainty is larger.
 */
export function backPressure(
  signals: LegSignals,
  settled: Settled,
  { trip_s, seating_s, flowShare, steadyChange_mps2 }: Stop,
): BackPressure {
  const outlet = signals.outlet.samples;
  const line = steadyLine(outlet, trip_s);
  const atTrip_Pa = line === null ? settled.level_Pa(trip_s) : onLine(line, trip_s);
  if (signals.tank !== null && settled.tankOffset_Pa !== null) {
    const value = onto(signals.tank.samples, outlet.time_s);
    const offset_Pa = settled.tankOffset_Pa;
    for (let k = 0; k < value.length; k++) value[k] += offset_Pa;
    const [first, end] = range(outlet.time_s, steadySpan(trip_s));
    const still = mean(outlet.value, first, end);
    const base = mean(value, first, end);
    // The column slows a little while the tank fills; that share of the difference is inertia, not loss.
    const inertia_Pa =
      signals.constants.density_kgpm3 * signals.constants.inertiaLength_m * steadyChange_mps2;
    const loss_Pa = still === null || base === null ? 0 : still - base - inertia_Pa;
    return { value, loss_Pa, uncertainty_Pa: settled.uncertainty_Pa };
  }
  const slope_Paps = Math.max(0, line?.slope ?? 0);
  const value = new Float64Array(outlet.time_s.length);
  const total_s = flowShare(seating_s - trip_s);
  const after_Pa = settled.level_Pa(seating_s);
  const start_Pa = after_Pa - slope_Paps * total_s;
  for (let k = 0; k < value.length; k++) {
    const t = outlet.time_s[k];
    if (t <= trip_s) value[k] = start_Pa + slope_Paps * (t - trip_s);
    else if (t < seating_s) value[k] = start_Pa + slope_Paps * flowShare(t - trip_s);
    else value[k] = settled.level_Pa(t);
  }
  return {
    value,
    loss_Pa: Math.min(0.3e5, Math.max(0, atTrip_Pa - start_Pa)),
    uncertainty_Pa: together(settled.uncertainty_Pa, 0.1 * slope_Paps * total_s, 0.003e5),
  };
}
