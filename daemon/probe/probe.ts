/** The whole look at a bus, in its order: settings, units, what each says of itself, its registers, its behaviour. */
import type { ModbusTable } from '../../drivers/line-spec.ts';
import type { Asker } from './asker.ts';
import { floatOrder, type Guess, guessValues } from './guess.ts';
import { findUnit, type Identification, identify, readBlock } from './questions.ts';
import { findSettings, type Settings } from './settings.ts';
import { readAgain, type Stretch, walk } from './walk.ts';
import { type Watched, watch } from './watch.ts';

/** A place that the person wants to see, and its neighbours: manuals count from 0 or from 1. */
export interface Place {
  readonly table: ModbusTable;
  readonly address: number;
}

export interface ProbePlan {
  readonly tries: readonly Settings[];
  readonly units: readonly number[];
  readonly timeout_s: number;
  readonly tables: readonly ModbusTable[];
  /** Zero-based, `to` exclusive. */
  readonly from: number;
  readonly to: number;
  readonly places: readonly Place[];
  readonly watch_s: number;
  /** Progress for the person who waits. */
  readonly tell: (text: string) => void;
}

/** A place and what lies round it, from `address - 1` on; null when the unit does not answer there. */
export interface SeenPlace {
  readonly place: Place;
  readonly from: number;
  readonly data: Uint8Array | null;
}

export interface SeenUnit {
  readonly unit: number;
  readonly identification: Identification;
  readonly stretches: readonly Stretch[];
  readonly guesses: readonly Guess[];
  readonly places: readonly SeenPlace[];
  readonly watched: Watched | null;
}

export interface Seen {
  /** Null when nobody answered with any settings. */
  readonly settings: Settings | null;
  readonly units: readonly SeenUnit[];
  /** Addresses that answered, but never with a whole frame. */
  readonly damaged: readonly number[];
  readonly asked: number;
}

/** Registers read from the one before a place on: enough for a 64-bit value at the one after it. */
const surroundings = 6;

/** Readings that a guess at the types rests on, besides the first. */
const repeats = 6;

/** Throws UnavailableError when the port cannot be had or is lost on the way. */
export async function probe(plan: ProbePlan): Promise<Seen> {
  const found = await findSettings(plan.tries, plan.units, plan.timeout_s, plan.tell);
  if (found === null) return { settings: null, units: [], damaged: [], asked: 0 };
  const { settings, asker } = found;
  try {
    let { present, damaged } = await findUnits(asker, plan, 'holding');
    // Some instruments keep silent to what they do not have instead of answering with an exception.
    if (present.length === 0) ({ present, damaged } = await findUnits(asker, plan, 'input'));
    const units: SeenUnit[] = [];
    for (const unit of present) units.push(await lookAt(asker, unit, plan));
    return { settings, units, damaged, asked: asker.asked };
  } finally {
    await asker.close();
  }
}

async function findUnits(
  asker: Asker,
  plan: ProbePlan,
  table: 'holding' | 'input',
): Promise<{ present: number[]; damaged: number[] }> {
  const present: number[] = [];
  const damaged: number[] = [];
  for (const unit of plan.units) {
    plan.tell(`asking unit ${unit}`);
    const answer = await findUnit(asker, unit, table);
    if (answer.kind === 'damaged') damaged.push(unit);
    else if (answer.kind !== 'silent') present.push(unit);
  }
  return { present, damaged };
}

async function lookAt(asker: Asker, unit: number, plan: ProbePlan): Promise<SeenUnit> {
  plan.tell(`unit ${unit}: who it is`);
  const identification = await identify(asker, unit);
  const stretches: Stretch[] = [];
  for (const table of plan.tables) {
    plan.tell(`unit ${unit}: ${table} ${plan.from} to ${plan.to - 1}`);
    stretches.push(...(await walk(asker, unit, table, plan.from, plan.to)));
  }
  const places: SeenPlace[] = [];
  for (const place of plan.places) places.push(await seePlace(asker, unit, place));
  const registers = stretches.filter(({ table }) => table === 'holding' || table === 'input');
  const repeated = await readAgain(asker, unit, registers, repeats, plan.watch_s / 2);
  const guesses = guessValues(repeated, floatOrder(repeated));
  plan.tell(`unit ${unit}: watching for ${plan.watch_s} s`);
  const watched = await watch(asker, unit, guesses, plan.watch_s);
  return { unit, identification, stretches, guesses, places, watched };
}

/** Short of the block round it, fewer registers after the place, then none before it. */
async function seePlace(asker: Asker, unit: number, place: Place): Promise<SeenPlace> {
  const { table, address } = place;
  for (const [from, count] of [
    [address - 1, surroundings],
    [address - 1, 3],
    [address, 4],
    [address, 2],
    [address, 1],
  ] as const) {
    if (from < 0 || from + count > 0x10000) continue;
    const { data } = await readBlock(asker, unit, table, from, count);
    if (data !== null) return { place, from, data };
  }
  return { place, from: address, data: null };
}
