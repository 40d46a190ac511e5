/** Stretches cut out of a record, as a line that drops replies leaves it: all channels or some, absent or marked bad. */
import type { EventRecord, LegRecord, Series } from '../../daemon/analysis/record.ts';
import { quality } from '../../drivers/driver.ts';
import type { Random } from './random-rig.ts';
import { within } from './random-rig.ts';

/** Which series of a record: of every leg where a leg has it. */
export type Cuttable = 'outlet' | 'inlet' | 'meter' | 'tank' | 'contact';
export const cuttables: readonly Cuttable[] = ['outlet', 'inlet', 'meter', 'tank', 'contact'];

/** One stretch on the clock of the record, in s. */
export interface Cut {
  readonly from_s: number;
  readonly to_s: number;
  readonly channels: readonly Cuttable[];
  /** The samples are there and marked bad, with a value far off; else they are absent. */
  readonly isMarked: boolean;
}

function cutSeries(series: Series, { from_s, to_s, isMarked }: Cut): Series {
  const { time_s, value, quality: bits } = series;
  const isIn = (k: number) => time_s[k] > from_s && time_s[k] < to_s;
  if (isMarked) {
    return {
      ...series,
      value: value.map((each, k) => (isIn(k) ? 0 : each)),
      quality: bits.map((each, k) => (isIn(k) ? each | quality.invalid : each)),
    };
  }
  const keep = Array.from(time_s.keys()).filter((k) => !isIn(k));
  return {
    ...series,
    time_s: Float64Array.from(keep, (k) => time_s[k]),
    value: Float64Array.from(keep, (k) => value[k]),
    quality: Uint8Array.from(keep, (k) => bits[k]),
    lost: series.lost + time_s.length - keep.length,
  };
}

/** The record without the stretch. */
export function cutRecord(record: EventRecord, cut: Cut): EventRecord {
  const of = <T extends Series | null>(name: Cuttable, series: T): T =>
    series === null || !cut.channels.includes(name) ? series : (cutSeries(series, cut) as T);
  return {
    ...record,
    tank: of('tank', record.tank),
    contact: of('contact', record.contact),
    legs: record.legs.map(
      (leg): LegRecord => ({
        ...leg,
        outlet: of('outlet', leg.outlet),
        inlet: of('inlet', leg.inlet),
        meter: of('meter', leg.meter),
      }),
    ),
  };
}

/** Where the middle of a cut was drawn. */
export type Place = 'seating' | 'trip' | 'after' | 'anywhere';

/** One drawn way to damage a record. */
export interface Damage {
  readonly place: Place;
  readonly cuts: readonly Cut[];
  readonly longest_s: number;
}

/**
 * Random cuts of 1 to 200 ms (log-uniform): half of them near the seating, one or several, of all channels or of one,
 * absent or marked bad. `trip_s` and `seating_s` on the clock of the record.
 */
export function drawDamage(random: Random, trip_s: number, seating_s: number): Damage {
  const draw = random();
  const place: Place = draw < 0.5 ? 'seating' : draw < 0.65 ? 'trip' : draw < 0.8 ? 'after' : 'anywhere';
  const count = random() < 0.7 ? 1 : 2 + Math.floor(random() * 3);
  const isMarked = random() < 0.2;
  const one = cuttables[Math.floor(random() * cuttables.length)];
  const channels = random() < 0.65 ? cuttables : [random() < 0.5 ? 'outlet' : one];
  const cuts = Array.from({ length: count }, (): Cut => {
    const long_s = 1e-3 * 200 ** random();
    const middle_s =
      place === 'seating'
        ? seating_s + within(random, -0.6, 0.6) * (long_s + 0.02)
        : place === 'trip'
          ? trip_s + within(random, -0.6, 0.6) * (long_s + 0.05)
          : place === 'after'
            ? seating_s + within(random, 0, 0.6)
            : within(random, trip_s - 0.9, seating_s + 1.5);
    return { from_s: middle_s - long_s / 2, to_s: middle_s + long_s / 2, channels, isMarked };
  });
  return { place, cuts, longest_s: Math.max(...cuts.map(({ from_s, to_s }) => to_s - from_s)) };
}
