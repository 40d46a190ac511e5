/** A unit watched for a while: how quickly it answers, and how often it really renews what it shows. */
import { monotonic_s } from '../../drivers/driver.ts';
import { updateRateOf } from '../instruments/update-rate.ts';
import type { Asker } from './asker.ts';
import { valueAt } from './decodings.ts';
import type { Guess } from './guess.ts';
import { readBlock } from './questions.ts';

/** How one value behaved. */
export interface Behaviour {
  /** Renewals per second that explain its changes; null when it changed too rarely, or with every reading. */
  readonly rate_Hz: number | null;
  /** Different values seen. */
  readonly changes: number;
  readonly least: number;
  readonly most: number;
}

export interface Watched {
  readonly readings: number;
  /** Readings per second that this gentle watching reached. */
  readonly reached_Hz: number;
  /** Readings that were not answered, or not with what was asked. */
  readonly missed: number;
  readonly medianTurnaround_s: number;
  readonly worstTurnaround_s: number;
  readonly hasEcho: boolean;
  /** In the order of the guesses that were watched. */
  readonly behaviours: ReadonlyMap<Guess, Behaviour>;
}

/** Most registers read in one question while watching. */
const widest = 32;

/** Guesses that one question reaches, together. */
function groupsOf(guesses: readonly Guess[]): Guess[][] {
  const groups: Guess[][] = [];
  for (const guess of guesses) {
    const first = groups.at(-1)?.[0];
    const fits =
      first !== undefined && first.table === guess.table && guess.address + 2 - first.address <= widest;
    if (fits) groups.at(-1)!.push(guess);
    else groups.push([guess]);
  }
  return groups;
}

/** Reads what was guessed again and again, for `time_s` in all. Null when there is nothing to watch. */
export async function watch(
  asker: Asker,
  unit: number,
  guesses: readonly Guess[],
  time_s: number,
): Promise<Watched | null> {
  const groups = groupsOf(guesses);
  if (groups.length === 0) return null;
  const turnarounds_s: number[] = [];
  const behaviours = new Map<Guess, Behaviour>();
  let missed = 0;
  let hasEcho = false;
  const from_s = monotonic_s();
  for (const group of groups) {
    const seen = await watchGroup(asker, unit, group, time_s / groups.length);
    missed += seen.missed;
    hasEcho ||= seen.hasEcho;
    turnarounds_s.push(...seen.turnarounds_s);
    group.forEach((guess, index) => {
      behaviours.set(guess, behaviourOf(seen.time_s, seen.series[index]!));
    });
  }
  const readings = turnarounds_s.length;
  turnarounds_s.sort((a, b) => a - b);
  return {
    readings,
    reached_Hz: readings / (monotonic_s() - from_s),
    missed,
    medianTurnaround_s: turnarounds_s[readings >> 1] ?? Number.NaN,
    worstTurnaround_s: turnarounds_s.at(-1) ?? Number.NaN,
    hasEcho,
    behaviours,
  };
}

async function watchGroup(asker: Asker, unit: number, group: readonly Guess[], time_s: number) {
  const first = group[0]!;
  const last = group.at(-1)!;
  const count = last.address - first.address + (last.type === 'float32' ? 2 : 1);
  const times_s: number[] = [];
  const series: number[][] = group.map(() => []);
  const turnarounds_s: number[] = [];
  let missed = 0;
  let hasEcho = false;
  const end_s = monotonic_s() + time_s;
  for (let now_s = 0; now_s < end_s; now_s = monotonic_s()) {
    const { data, answer } = await readBlock(asker, unit, first.table, first.address, count);
    if (data === null || answer.kind !== 'reply') {
      missed++;
      continue;
    }
    hasEcho ||= answer.hasEcho;
    turnarounds_s.push(answer.turnaround_s);
    times_s.push(monotonic_s());
    group.forEach(({ address, type, wordOrder }, index) => {
      series[index]!.push(valueAt(data, address - first.address, type, wordOrder)!);
    });
  }
  return { time_s: Float64Array.from(times_s), series, turnarounds_s, missed, hasEcho };
}

function behaviourOf(time_s: Float64Array, values: readonly number[]): Behaviour {
  let changes = 0;
  for (let k = 1; k < values.length; k++) if (values[k] !== values[k - 1]) changes++;
  const rate = updateRateOf({ time_s, value: Float64Array.from(values) });
  return {
    rate_Hz: rate?.rate_Hz ?? null,
    changes,
    least: Math.min(...values),
    most: Math.max(...values),
  };
}
