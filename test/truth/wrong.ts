/** One wrong thing at a time: the same trip judged with one entry of the configuration wrong, and which flags say so. */
import type { TankAir } from '../../config/rig.ts';
import { analyse } from '../../daemon/analysis/analyse.ts';
import type { EventRecord, LegRecord, Series } from '../../daemon/analysis/record.ts';
import type { Flag } from '../../daemon/analysis/verdict.ts';
import type { PlantSpec } from '../../daemon/hydraulics/network/plant-spec.ts';
import { coverage } from '../../daemon/statistics/uncertainty.ts';
import { drawTrip } from '../support/accuracy.ts';
import { normal, type RigKind, seeded } from '../support/random-rig.ts';
import { simulateTrip } from '../support/simulate-trip.ts';
import { recordOf } from '../support/trip-record.ts';
import { table } from './tables.ts';

/** Flags that say that something configured does not fit the record. The others tell of channels, devices or the valve. */
const noticing: readonly Flag['code'][] = [
  'wave-speed-differs',
  'momentum-imbalance',
  'meter-lag-differs',
  'instruments-misaligned',
  'taps-swapped',
  'taps-disagree',
  'tank-rise-differs',
];

type Change = (record: EventRecord) => EventRecord;

const leg =
  (change: (leg: LegRecord) => LegRecord): Change =>
  (record) => ({ ...record, legs: record.legs.map(change) });

const meterOf = (change: (meter: Series) => Series) =>
  leg((one) => (one.meter === null ? one : { ...one, meter: change(one.meter) }));

const scaled = (factor: number) => (meter: Series) => ({
  ...meter,
  value: meter.value.map((value) => value * factor),
});

const late_s = 0.02;
const late = <S extends Series | null>(series: S): S =>
  series === null ? series : { ...series, time_s: series.time_s.map((t) => t + late_s) };

const sized = (factor: number) =>
  leg((one) => ({
    ...one,
    leg: {
      ...one.leg,
      length_m: one.leg.length_m * factor,
      lengthHalfWidth_m: one.leg.lengthHalfWidth_m * factor,
    },
  }));

const waves = (factor: number) =>
  leg((one) => ({
    ...one,
    leg: {
      ...one.leg,
      waveSpeed_mps: one.leg.waveSpeed_mps * factor,
      waveSpeedHalfWidth_mps: one.leg.waveSpeedHalfWidth_mps * factor,
    },
  }));

/** A meter that measures flow: the configured bore turns it into a velocity. */
const bored = (factor: number) =>
  leg((one) => ({
    ...one,
    leg: { ...one.leg, bore_m: one.leg.bore_m * factor },
    meter: one.meter === null ? null : scaled(factor ** -2)(one.meter),
  }));

/** What can be wrong, by the name printed. */
export const wrongs: Readonly<Record<string, Change>> = {
  nothing: (record) => record,
  'meter lag x 2': meterOf((meter) => ({
    ...meter,
    channel: {
      ...meter.channel,
      responseTime_s: 2 * meter.channel.responseTime_s,
      responseTimeHalfWidth_s: 2 * meter.channel.responseTimeHalfWidth_s,
    },
  })),
  'wave speed +10 %': waves(1.1),
  'wave speed -10 %': waves(0.9),
  'bore +10 % (flow meter)': bored(1.1),
  'bore -10 % (flow meter)': bored(0.9),
  'leg length +10 %': sized(1.1),
  'leg length -10 %': sized(0.9),
  'meter scale +10 %': meterOf(scaled(1.1)),
  'meter scale -10 %': meterOf(scaled(0.9)),
  'taps swapped': leg((one) =>
    one.inlet === null
      ? one
      : {
          ...one,
          outlet: { ...one.inlet, channel: one.outlet.channel },
          inlet: { ...one.outlet, channel: one.inlet.channel },
        },
  ),
  'outlet 20 ms late': leg((one) => ({ ...one, outlet: late(one.outlet) })),
  'inlet 20 ms late': leg((one) => ({ ...one, inlet: late(one.inlet) })),
  'meter 20 ms late': leg((one) => ({ ...one, meter: late(one.meter) })),
  'contact 20 ms late': (record) => ({ ...record, contact: late(record.contact) }),
  'tank 20 ms late': (record) => ({ ...record, tank: late(record.tank) }),
};

/** Flags of one trip, by what was wrong. */
export interface WrongRow {
  readonly seed: number;
  readonly kind: RigKind;
  readonly flags: Readonly<Record<string, readonly string[]>>;
}

/** The air of a rig that knows its tank: volume to 5 %, exponent to 0.1 (half-widths of 95 %), and as wrong as that. */
function knownAir(seed: number, { tank }: PlantSpec): TankAir {
  const random = seeded(seed * 104_729 + 3);
  normal(random);
  const volume_m3 = tank.airVolume_m3 * (1 + (0.05 / coverage) * normal(random));
  const polytropic_ratio = tank.polytropic_ratio + (0.1 / coverage) * normal(random);
  return {
    volume_m3,
    halfWidth_m3: 0.05 * volume_m3,
    at_Pa: tank.pressure_Pa,
    polytropic_ratio,
    polytropicHalfWidth_ratio: 0.1,
  };
}

export function wrongRow(seed: number, rate_Hz: number): WrongRow {
  const { kind, spec, sensors, knowledge, random } = drawTrip(seed);
  const trip = simulateTrip(spec, { rate_Hz, sensors, random });
  const record = { ...recordOf(trip, spec, sensors, knowledge), tankAir: knownAir(seed, spec) };
  const flags: Record<string, string[]> = {};
  for (const [name, change] of Object.entries(wrongs)) {
    const verdict = analyse(change(record), { revision: 1, software: 'test', reason: 'truth' }).legs[0];
    flags[name] = verdict.flags.map(({ code }) => code).filter((code) => noticing.includes(code));
  }
  return { seed, kind, flags };
}

/** How often what is noticed, and how often a right configuration is accused. */
export function wrongLines(rows: readonly WrongRow[], rate_Hz: number): string[] {
  const share = (name: string, test: (flags: readonly string[]) => boolean) =>
    (100 * rows.filter((row) => test(row.flags[name])).length) / rows.length;
  const cells = Object.keys(wrongs).map((name) => [
    name,
    share(name, (flags) => flags.length > 0).toFixed(1),
    ...noticing.map((code) => share(name, (flags) => flags.includes(code)).toFixed(1)),
  ]);
  const noticed = (names: readonly string[]) =>
    names.reduce((sum, name) => sum + share(name, (flags) => flags.length > 0), 0) / names.length;
  const sets: [string, (name: string) => boolean][] = [
    ['all wrong configurations', (name) => name !== 'nothing'],
    ['all but what is late', (name) => name !== 'nothing' && !name.includes('late')],
    ['one instrument 20 ms late', (name) => name.includes('late')],
  ];
  const summary = sets.map(([title, isIn]) => {
    const mean = noticed(Object.keys(wrongs).filter(isIn));
    return `${title}: ${mean.toFixed(1)} % noticed (target 80 %)`;
  });
  // Each kind once, whichever way it is wrong and whichever instrument is late.
  const kinds = ['lag', 'wave', 'bore', 'length', 'scale', 'swapped', 'late'];
  const each = kinds.map((kind) => noticed(Object.keys(wrongs).filter((name) => name.includes(kind))));
  summary.push(
    `each of the ${kinds.length} kinds of wrong thing counted once: ${(each.reduce((sum, one) => sum + one, 0) / kinds.length).toFixed(1)} % noticed (target 80 %)`,
    `right configurations accused: ${share('nothing', (flags) => flags.length > 0).toFixed(1)} % (wanted: 5 % at most)`,
  );
  const softened = rows.filter(({ kind }) => kind === 'cushion' || kind === 'dashpot').length;
  return [
    `${rows.length} trips at ${rate_Hz} Hz (${softened} with damped valves), ordinary instruments, tank air known to 5 %; share of trips in % with any of the flags, and with each.`,
    '',
    ...table(['wrong', 'any', ...noticing], cells),
    '',
    ...summary.map((line) => `- ${line}`),
  ];
}
