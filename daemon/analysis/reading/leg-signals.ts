/** One leg's record made ready: usable samples only, one time axis, spikes found, and the constants of the leg. */
import type { LegConfig, LiquidConfig } from '../../../config/rig.ts';
import { quality } from '../../../drivers/driver.ts';
import { type UpdateRate, updateRateOf } from '../../instruments/update-rate.ts';
import { indexAt, median, onto, type Samples, spacing_s } from '../../statistics/samples.ts';
import { ofRectangle } from '../../statistics/uncertainty.ts';
import type { EventRecord, LegRecord, Series } from '../record.ts';
import { despike } from './despike.ts';
import { type Hum, withoutHum } from './hum.ts';
import { blind, type Missing, missingOf } from './missing.ts';

/** What a leg's geometry fixes. SI. */
export interface LegConstants {
  readonly density_kgpm3: number;
  readonly waveSpeed_mps: number;
  /** Seat to reflecting end. */
  readonly length_m: number;
  /** Seat to outlet tap. */
  readonly tap_m: number;
  /** Column between the outlet tap and the end with its end inertia: ratio * length - tap. */
  readonly inertiaLength_m: number;
  readonly area_m2: number;
  /** 4 L / a: period of the ring-down. */
  readonly ring_s: number;
  /** 2 (L - x) / a: length of the plateau that the outlet tap sees after a seating. */
  readonly plateau_s: number;
  /** Response time of the outlet sensor. */
  readonly lag_s: number;
  /** Samples on the plateau at the real rate of the device. */
  readonly perPlateau: number;
}

/** A channel after cleaning. Times in s from the record's origin. */
export interface Channel {
  readonly series: Series;
  readonly samples: Samples;
  /** Spacing of fresh values in s. */
  readonly step_s: number;
  /** Noise of a single sample, standard deviation. */
  readonly sigma: number;
  /** Samples left out because the device or the line could not vouch for them. */
  readonly bad: number;
  /** How many polls one fresh value answers; 1 when every sample is fresh. */
  readonly repeats: number;
  /** The device's own clock where it repeats; null when every sample is fresh. */
  readonly update: UpdateRate | null;
  /** Instants of samples at an end of the converter. */
  readonly clipped_s: readonly number[];
  /** Hum of the mains that was taken out; absent where there was none. */
  readonly hum?: Hum;
  /** Where samples are missing. */
  readonly missing: Missing;
}

export interface LegSignals {
  readonly leg: LegConfig;
  readonly liquid: LiquidConfig;
  readonly constants: LegConstants;
  readonly outlet: Channel;
  readonly inlet: Channel | null;
  readonly mid: Channel | null;
  readonly meter: Channel | null;
  readonly tank: Channel | null;
  readonly position: Channel | null;
  /** Outlet minus inlet on the outlet's axis, spikes removed; the outlet alone where there is no inlet. */
  readonly difference: Samples;
  /** The outlet with spikes removed, used to find the closure. */
  readonly calm: Samples;
  readonly differenceSigma: number;
  readonly spikes: number;
}

/** Middle of a channel's dead time, in s: its values are so much older than their time stamps. */
export function lateBy_s({ channel: { delay_s } }: Series): number {
  return (delay_s[0] + delay_s[1]) / 2;
}

/** Standard uncertainty of a channel's dead time, in s: it is stated as hard bounds (JCGM 100:2008, 4.3.7). */
export function delayDoubt_s({ series }: Channel): number {
  const [young_s, old_s] = series.channel.delay_s;
  return ofRectangle((old_s - young_s) / 2);
}

/**
 * Cleans one series: bad samples out, repeats thinned to fresh values, clipping noted; each value stands at the instant it was
 * taken, its time stamp less the middle of the channel's dead time. Null when nothing is left.
 */
export function clean(series: Series | null, origin_s: number): Channel | null {
  if (series === null || series.time_s.length === 0) return null;
  const { time_s, value, quality: bits, channel } = series;
  const wrong = quality.suspect | quality.invalid;
  const late_s = lateBy_s(series);
  const { offset, scale } = channel;
  const hasEnds = channel.rawRange !== null && scale !== 0;
  // A raw value within half a step of an end of the converter is at that end.
  const lowest = channel.rawRange === null ? Number.NaN : channel.rawRange[0] + 0.5;
  const highest = channel.rawRange === null ? Number.NaN : channel.rawRange[1] - 0.5;
  const t = new Float64Array(time_s.length);
  const v = new Float64Array(time_s.length);
  const clipped_s: number[] = [];
  const bad_s: number[] = [];
  let n = 0;
  for (let k = 0; k < time_s.length; k++) {
    const x = value[k];
    if ((bits[k] & wrong) !== 0 || !Number.isFinite(x) || !Number.isFinite(time_s[k])) {
      bad_s.push(time_s[k] - origin_s - late_s);
      continue;
    }
    // Whole nanoseconds: the rounding of a late clock must not decide which samples a window holds.
    t[n] = Math.round((time_s[k] - origin_s - late_s) * 1e9) / 1e9;
    v[n] = x;
    const raw = hasEnds ? (x - offset) / scale : Number.NaN;
    if ((bits[k] & quality.clipped) !== 0 || raw <= lowest || raw >= highest) clipped_s.push(t[n]);
    n++;
  }
  if (n === 0) return null;
  const bad = time_s.length - n;
  const all: Samples = { time_s: t.subarray(0, n), value: v.subarray(0, n) };
  const repeats = channel.quantity === 'state' ? 1 : repeatsOf(all);
  const update = repeats > 1 ? updateRateOf(all) : null;
  const samples = repeats > 1 ? fresh(all) : all;
  const step_s = spacing_s(samples.time_s) ?? Number.POSITIVE_INFINITY;
  // Of the samples as they came: a value that happens to repeat is no hole.
  const poll_s = repeats > 1 ? (spacing_s(all.time_s) ?? step_s) : step_s;
  const missing = missingOf({ good_s: all.time_s, bad_s, clipped_s, step_s: poll_s });
  return { series, samples, step_s, sigma: noise(samples.value), bad, repeats, update, clipped_s, missing };
}

/**
 * How many equal samples in a row one fresh value gives, when a device is polled faster than it measures: the mean
 * run where values move, if the runs are regular. Coarse converters also repeat, but irregularly. 1 = all fresh.
 */
export function repeatsOf(samples: Samples): number {
  const { value } = samples;
  if (value.length < 50) return 1;
  let moves = 0;
  let last = 0;
  for (let k = 1; k < value.length; k++) {
    if (value[k] === value[k - 1]) continue;
    moves++;
    last = k;
  }
  if (moves < 20) return 1;
  const average = last / moves;
  if (average < 1.8) return 1;
  const runs = runsOf(value);
  const scatter = Math.sqrt(runs.reduce((sum, run) => sum + (run - average) ** 2, 0) / runs.length);
  return scatter < 0.4 * average ? average : 1;
}

/** Lengths of the runs of equal values; the last one, which the end of the record cuts, is left out. */
function runsOf(value: Float64Array): number[] {
  const runs: number[] = [];
  let first = 0;
  for (let k = 1; k < value.length; k++) {
    if (value[k] === value[k - 1]) continue;
    runs.push(k - first);
    first = k;
  }
  return runs;
}

/** The first sample of every run of equal values. */
function fresh(all: Samples): Samples {
  const keep: number[] = [];
  for (let k = 0; k < all.value.length; k++) {
    if (k === 0 || all.value[k] !== all.value[k - 1]) keep.push(k);
  }
  return {
    time_s: Float64Array.from(keep, (k) => all.time_s[k]),
    value: Float64Array.from(keep, (k) => all.value[k]),
  };
}

/**
 * Standard deviation of the noise of a record that is mostly quiet: robust, from differences of neighbours, each
 * taken over a second difference so that slopes do not count (var of x[k-1] - 2 x[k] + x[k+1] is 6 sigma^2).
 */
export function noise(value: Float64Array): number {
  const step = Math.max(1, Math.floor(value.length / 4000));
  const differences = new Float64Array(Math.ceil(Math.max(0, value.length - 2) / step));
  for (let i = 0, k = 1; i < differences.length; i++, k += step) {
    differences[i] = Math.abs(value[k - 1] - 2 * value[k] + value[k + 1]);
  }
  const middle = median(differences, 0, differences.length) ?? 0;
  return (1.4826 * middle) / Math.sqrt(6);
}

/**
 * The constants of a leg for a record, SI. `lag_s` is the outlet sensor's time constant, `step_s` > 0 the usual spacing of its
 * fresh samples; the plateau 2 (L - x) / a is what a wave needs from the tap to the tank and back.
 */
export function constantsOf(
  leg: LegConfig,
  liquid: LiquidConfig,
  lag_s: number,
  step_s: number,
): LegConstants {
  const tap_m = leg.outlet.distance_m;
  const plateau_s = (2 * (leg.length_m - tap_m)) / leg.waveSpeed_mps;
  return {
    density_kgpm3: liquid.density_kgpm3,
    waveSpeed_mps: leg.waveSpeed_mps,
    length_m: leg.length_m,
    tap_m,
    inertiaLength_m: leg.inertiaRatio * leg.length_m - tap_m,
    area_m2: (Math.PI * leg.bore_m ** 2) / 4,
    ring_s: (4 * leg.length_m) / leg.waveSpeed_mps,
    plateau_s,
    lag_s,
    perPlateau: plateau_s / step_s,
  };
}

/** Prepares one leg's record; null when the outlet holds fewer than 20 usable samples. `origin_s` becomes time 0. */
export function readSignals(record: EventRecord, leg: LegRecord, origin_s: number): LegSignals | null {
  const outlet = quiet(clean(leg.outlet, origin_s));
  if (outlet === null || outlet.samples.time_s.length < 20) return null;
  const inlet = quiet(enough(clean(leg.inlet, origin_s)));
  const lag_s = outlet.series.channel.responseTime_s;
  const constants = constantsOf(leg.leg, record.liquid, lag_s, outlet.step_s);
  const axis = outlet.samples.time_s;
  const calm = outlet.samples.value.slice();
  const inletValue = inlet === null ? null : onto(inlet.samples, axis);
  // Without a second tap a lone sample may be the whole slam of a short leg: only a well resolved ring is despiked.
  const isResolved = constants.ring_s > 24 * outlet.step_s;
  let spikes = 0;
  if (inletValue !== null || isResolved) {
    const other = inletValue?.slice() ?? null;
    const torn = besideHoles(axis, outlet.missing);
    spikes += despike(calm, other, { least: Math.max(8 * outlet.sigma, 0.8e5), mirrored: 0.12, torn });
    if (inletValue !== null && inlet !== null) {
      const before = outlet.samples.value;
      const least = Math.max(8 * inlet.sigma, 0.8e5);
      spikes += despike(inletValue, before, { least, mirrored: 0.12, torn });
    }
  }
  const difference = calm.slice();
  if (inletValue !== null) for (let k = 0; k < difference.length; k++) difference[k] -= inletValue[k];
  return {
    leg: leg.leg,
    liquid: record.liquid,
    constants,
    outlet,
    inlet,
    mid: enough(clean(leg.mid, origin_s)),
    meter: enough(clean(leg.meter, origin_s)),
    tank: enough(clean(record.tank, origin_s)),
    position: enough(clean(leg.position, origin_s)),
    difference: { time_s: axis, value: difference },
    calm: { time_s: axis, value: calm },
    differenceSigma: noise(difference),
    spikes,
  };
}

/** Indices of the three samples to either side of each hole. */
function besideHoles(time_s: Float64Array, missing: Missing): ReadonlySet<number> {
  const beside = new Set<number>();
  for (const { to_s } of blind(missing)) {
    const next = indexAt(time_s, to_s - 1e-9);
    for (let k = next - 3; k < next + 3; k++) beside.add(k);
  }
  return beside;
}

/** A pressure without the hum of the mains. */
function quiet(channel: Channel | null): Channel | null {
  const found = channel === null ? null : withoutHum(channel.samples, channel.step_s);
  if (channel === null || found === null) return channel;
  return { ...channel, samples: found.samples, sigma: noise(found.samples.value), hum: found.hum };
}

function enough(channel: Channel | null): Channel | null {
  return channel !== null && channel.samples.time_s.length >= 10 ? channel : null;
}
