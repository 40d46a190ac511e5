/**
 * A random rig, its instruments, and the rig file that a careful person writes for it: every constant is wrong by a draw as
 * wide as the file states it. Where the file has no place for a doubt (bore, taps) the error is that of common practice.
 */
import type { PlantSpec } from '../../daemon/hydraulics/network/plant-spec.ts';
import { exactStep_s } from '../../daemon/hydraulics/parts.ts';
import { coverage } from '../../daemon/statistics/uncertainty.ts';
import { normal, type Random, type RigKind, randomRig, seeded, within } from '../support/random-rig.ts';
import {
  deadTime,
  type Filter,
  inSeries,
  lagOf,
  movingMean,
  movingMedian,
  secondOrder,
} from './instruments.ts';

export const kinds: readonly RigKind[] = ['spring', 'lever', 'plain', 'axial', 'cushion', 'dashpot'];

/** Valves built to close softly; the others are sharp. */
export const softenedKinds: ReadonlySet<RigKind> = new Set(['cushion', 'dashpot']);

/**
 * `ordinary`: what the analysis must measure with. The others have what it cannot identify: a meter of two lags, dead
 * times that no file states, a digital meter (mean or median over a window, renewed at intervals).
 */
export const instrumentSets = ['ordinary', 'two-lags', 'dead-time', 'digital'] as const;
export type InstrumentSet = (typeof instrumentSets)[number];

/** One analogue pressure: what it does to the course, and what the file says of it. */
export interface PressureInstrument {
  readonly filter: Filter;
  readonly dead_s: number;
  readonly offset_Pa: number;
  readonly gain_ratio: number;
  readonly stated: {
    readonly lag_s: number;
    readonly lagHalfWidth_s: number;
    readonly delay_s: readonly [number, number];
    readonly absolute_Pa: number;
    readonly relative: number;
  };
}

export interface MeterInstrument {
  readonly filter: Filter;
  readonly dead_s: number;
  readonly offset_mps: number;
  readonly gain_ratio: number;
  readonly stated: {
    readonly lag_s: number;
    readonly lagHalfWidth_s: number;
    readonly delay_s: readonly [number, number];
    readonly absolute_mps: number;
    readonly relative: number;
  };
}

/** Meter and tank on a line of their own: its rate (null: the rate of the pressures), and the error of its time stamps. */
export interface Clock {
  readonly rate_Hz: number | null;
  readonly late_s: number;
  readonly halfWidth_s: number;
}

/** What the file states of one leg. */
export interface StatedLeg {
  readonly length_m: number;
  readonly waveSpeed_ratio: number;
  readonly bore_m: number;
  readonly outlet_m: number;
  readonly inlet_m: number;
}

export interface InstrumentedLeg {
  readonly kind: RigKind;
  readonly outlet: PressureInstrument;
  readonly inlet: PressureInstrument;
  readonly meter: MeterInstrument;
  readonly stated: StatedLeg;
}

export interface RigInError {
  readonly seed: number;
  readonly spec: PlantSpec;
  readonly isWide: boolean;
  readonly legs: readonly InstrumentedLeg[];
  readonly tank: PressureInstrument;
  readonly bus: Clock;
  readonly statedDensity_kgpm3: number;
  readonly contactDelay_s: number;
  /** The same for all pressures of the rig. */
  readonly noise_Pa: number;
  readonly hum_Pa: number;
  readonly hum_Hz: number;
  readonly bits: number;
  /** For noise and for the phase of the sampling. */
  readonly random: Random;
}

/** Half-width of 95 % of the bore, as a rig file that says no more states it. */
export const boreHalfWidth_ratio = 0.005;

/** One half-width of 95 % as a normal deviation. */
const within95 = (random: Random, halfWidth: number) => (halfWidth / coverage) * normal(random);

/** Two rigs of five have instruments beyond the ordinary, one of five has two legs. */
export function drawRig(seed: number, instruments: InstrumentSet): RigInError {
  const random = seeded(seed * 7919 + 17);
  normal(random);
  const kind = kinds[seed % kinds.length];
  const isWide = random() < 0.4;
  const { spec, legKinds } = drawSpec(random, kind, isWide);
  const stated_s = isWide ? 1e-4 * 20 ** random() : 0.6e-3;
  const pressure = () => pressureOf(random, instruments, stated_s, isWide ? 0.3 * stated_s : 0.4e-3);
  const legs = spec.legs.map(
    (leg, k): InstrumentedLeg => ({
      kind: legKinds[k],
      outlet: pressure(),
      inlet: pressure(),
      meter: meterOf(random, instruments),
      stated: {
        length_m: leg.downstream.length_m * (1 + within95(random, 0.02)),
        waveSpeed_ratio: 1 + within95(random, 0.04),
        bore_m: leg.downstream.bore_m * (1 + within95(random, boreHalfWidth_ratio)),
        // A tape measure: 1 cm.
        outlet_m: leg.taps.outlet_m + within95(random, 0.01),
        inlet_m: leg.taps.inlet_m + within95(random, 0.01),
      },
    }),
  );
  const hasBus = random() < 0.4;
  const halfWidth_s = within(random, 0.001, 0.008);
  return {
    seed,
    spec,
    isWide,
    legs,
    tank: pressure(),
    bus: hasBus
      ? { rate_Hz: within(random, 25, 100), late_s: halfWidth_s * within(random, -1, 1), halfWidth_s }
      : { rate_Hz: null, late_s: 0, halfWidth_s: 0 },
    statedDensity_kgpm3: spec.liquid.density_kgpm3 + within95(random, 2),
    contactDelay_s: within(random, 0.005, 0.025),
    noise_Pa: isWide ? 500 * 10 ** random() : within(random, 1e3, 3e3),
    hum_Pa: within(random, 0, 3e3),
    hum_Hz: random() < 0.5 ? 50 : 60,
    bits: [12, 14, 16][Math.floor(random() * 3)],
    random,
  };
}

/** One or two legs with cavities where the water parts, and an end whose inertia is as uncertain as the file says. */
function drawSpec(
  random: Random,
  kind: RigKind,
  isWide: boolean,
): { readonly spec: PlantSpec; readonly legKinds: readonly RigKind[] } {
  const lengths: [number, number] = isWide ? [5, 40] : [5, 25];
  const rig = randomRig(random, kind, lengths);
  const absorption_ratio = Math.max(0.005, 0.05 + within95(random, 0.04));
  const tank = { ...rig.tank, absorption_ratio };
  const legs = rig.legs.map((leg) => ({ ...leg, downstream: { ...leg.downstream, hasCavities: true } }));
  if (random() >= 0.2) return { spec: { ...rig, tank, legs }, legKinds: [kind] };
  const otherKind = kinds[Math.floor(random() * kinds.length)];
  const [other] = randomRig(random, otherKind, lengths).legs;
  const [first] = legs;
  // The other valve has to fit the first leg's bore.
  if (Math.abs(other.downstream.bore_m - first.downstream.bore_m) > 1e-6)
    return { spec: { ...rig, tank, legs }, legKinds: [kind] };
  const length_m = first.downstream.length_m * within(random, 0.8, 1.25);
  const second = {
    ...first,
    id: 'B',
    upstream: { ...first.upstream, length_m: first.upstream.length_m * within(random, 1, 1.5) },
    downstream: { ...first.downstream, length_m },
    taps: { ...first.taps, mid_m: length_m / 2 },
    valve: other.valve,
  };
  const [pump] = rig.pumps;
  const wide = Math.SQRT2;
  return {
    spec: {
      ...rig,
      dt_s: exactStep_s(first.downstream, 0.25e-3),
      legs: [first, second],
      pumps: [
        {
          ...pump,
          suction: { ...pump.suction, bore_m: pump.suction.bore_m * wide },
          discharge: { ...pump.discharge, bore_m: pump.discharge.bore_m * wide },
          ratedFlow_m3ps: 2 * pump.ratedFlow_m3ps,
          inertia_kgm2: 2 * pump.inertia_kgm2,
        },
      ],
      tank: { ...tank, airVolume_m3: 2 * tank.airVolume_m3 },
    },
    legKinds: [kind, otherKind],
  };
}

/** Range of every pressure, in Pa. */
export const pressureRange_Pa = [-1e5, 24e5] as const;

function pressureOf(
  random: Random,
  instruments: InstrumentSet,
  lag_s: number,
  lagHalfWidth_s: number,
): PressureInstrument {
  const true_s = Math.max(0.1 * lag_s, lag_s + within95(random, lagHalfWidth_s));
  // From a Butterworth filter to two equal lags: never the one lag that the analysis takes off.
  const damping = within(random, 0.7, 1);
  const filter =
    damping > 0.995 ? inSeries(lagOf(true_s / 2), lagOf(true_s / 2)) : secondOrder(true_s, damping);
  const delay_s: [number, number] = random() < 0.3 ? [0.5e-3, 1.5e-3] : [0, 0];
  const unstated_s = instruments === 'dead-time' ? within(random, 1e-3, 3e-3) : 0;
  const absolute_Pa = 25e5 * (random() < 0.5 ? 0.0005 : 0.001);
  const relative = [0.0005, 0.001, 0.002][Math.floor(random() * 3)];
  return {
    filter,
    dead_s: within(random, ...delay_s) + unstated_s,
    offset_Pa: absolute_Pa * normal(random),
    gain_ratio: 1 + relative * normal(random),
    stated: { lag_s, lagHalfWidth_s, delay_s, absolute_Pa, relative },
  };
}

function meterOf(random: Random, instruments: InstrumentSet): MeterInstrument {
  const true_s = within(random, 0.1, 0.5);
  // A meter whose damping is all there is, or one with other stages beside it: those are two lags.
  const second = instruments === 'two-lags' ? within(random, 0.1, 0.5) : 0;
  const delay_s: [number, number] = random() < 0.3 ? [0, 0.02] : [0, 0];
  const unstated_s = instruments === 'dead-time' ? within(random, 0.05, 0.15) : 0;
  const relative = random() < 0.5 ? 0.002 : 0.005;
  const absolute_mps = 0.006;
  const lag_s = true_s * (1 + within95(random, 0.2));
  return {
    filter: meterFilter(random, instruments, true_s, second),
    dead_s: within(random, ...delay_s) + unstated_s,
    offset_mps: absolute_mps * normal(random),
    gain_ratio: 1 + relative * normal(random),
    stated: { lag_s, lagHalfWidth_s: 0.2 * lag_s, delay_s, absolute_mps, relative },
  };
}

function meterFilter(random: Random, instruments: InstrumentSet, lag_s: number, second: number): Filter {
  if (instruments === 'digital') {
    const update_s = within(random, 0.02, 0.1);
    // A mean over w comes late by w / 2, a median of n readings by half of them.
    if (random() < 0.5) return movingMean(2 * lag_s, update_s);
    return movingMedian(2 * Math.max(1, Math.round(lag_s / update_s)) + 1, update_s);
  }
  return inSeries(lagOf((1 - second) * lag_s), lagOf(second * lag_s));
}

/** A filter and the dead time behind it. */
export function through(filter: Filter, dead_s: number): Filter {
  return dead_s > 0 ? inSeries(filter, deadTime(dead_s)) : filter;
}
