/** One unit of a line: what is read of it and how, what it still owes, and whether it is worth asking. */
import type { ModbusUnitSpec, RegisterSpan } from '../line-spec.ts';
import { BurstReader } from './burst-reader.ts';
import {
  type BlockPart,
  holds,
  type PollBlock,
  type Probe,
  partsOf,
  planBlocks,
  planProbe,
  splitRead,
} from './poll-plan.ts';
import { Unanswered } from './unanswered.ts';

/** So many requests in a row without an answer suspend a unit. */
const patience = 3;

/** Waits before a suspended unit is asked again while others of the line answer, in s: each costs them a time-out. */
const suspensions_s = [5, 10, 30, 60] as const;

/** The same where nobody else uses the line, in s. */
const loneSuspension_s = 1;

/** A block, its parts, and the reads that bring it: one, until the unit refuses to read across a hole. */
export interface PlannedBlock {
  readonly unit: UnitHealth;
  readonly spec: ModbusUnitSpec;
  readonly block: PollBlock;
  readonly parts: readonly BlockPart[];
  reads: readonly RegisterSpan[];
}

export class UnitHealth {
  /** Address on the line, and the name of the first device of that address. */
  readonly unit: number;
  readonly id: string;
  readonly blocks: readonly PlannedBlock[];
  readonly bursts: readonly BurstReader[];
  readonly unanswered: Unanswered;
  readonly isWritable: boolean;
  readonly gap_s: number;
  readonly timeout_s: number;
  #probe: Probe | null;
  #failures = 0;
  /** Of the first request without an answer since the last answer. */
  #failedSince_s: number | null = null;
  #askFrom_s = Number.NEGATIVE_INFINITY;

  readonly #needsProof: boolean;

  /**
   * `specs` are all devices of one address. `needsProof`: replies do not say which request they answer (anything but
   * Modbus TCP). Throws RangeError when the channels cannot be planned.
   */
  constructor(specs: readonly ModbusUnitSpec[], needsProof: boolean) {
    this.#needsProof = needsProof;
    const [first] = specs;
    if (first === undefined) throw new RangeError('a unit needs a specification');
    this.unit = first.unit;
    this.id = first.id;
    this.isWritable = specs.every(({ isWritable }) => isWritable === true);
    this.gap_s = Math.max(...specs.map(({ gap_s }) => gap_s));
    this.timeout_s = Math.max(...specs.map(({ timeout_s }) => timeout_s));
    this.blocks = specs.flatMap((spec) =>
      planBlocks(spec).map((block) => ({ unit: this, spec, block, parts: partsOf(block), reads: [block] })),
    );
    this.bursts = specs.flatMap((spec) => (spec.burst === undefined ? [] : [new BurstReader(spec)]));
    if (this.blocks.length === 0 && this.bursts.length === 0) {
      throw new RangeError(`unit ${first.id} has no channels`);
    }
    this.#probe = this.#plan();
    const lateness_s = Math.max(...specs.map((spec) => spec.lateness_s ?? 0));
    this.unanswered = new Unanswered(this.#probe?.isDistinct ?? false, lateness_s > 0 ? lateness_s : null);
    if (this.#probe === null) this.unanswered.release();
  }

  /** Null: every reply of this unit says itself what it answers or holds. */
  get probe(): Probe | null {
    return this.#probe;
  }

  get isSuspended(): boolean {
    return this.#failures >= patience;
  }

  /** Since when a suspended unit has not answered, and when it is asked again; null while it is not suspended. */
  get silence(): { readonly since_s: number; readonly nextTry_s: number } | null {
    const since_s = this.#failedSince_s;
    return this.isSuspended && since_s !== null ? { since_s, nextTry_s: this.#askFrom_s } : null;
  }

  /** Whether a poll or at least a probe may be sent now. */
  mayAsk(now_s: number): boolean {
    if (this.unanswered.isConfirmed && !this.isSuspended) return true;
    return now_s >= this.#askFrom_s && (this.#probe === null || now_s >= this.unanswered.probeFrom_s(now_s));
  }

  /** Ends a suspension; the doubt stays, and so does the instant of the first request without an answer. */
  forgive(): void {
    this.#failures = 0;
    this.#askFrom_s = Number.NEGATIVE_INFINITY;
  }

  answered(): void {
    this.forgive();
    this.#failedSince_s = null;
  }

  /** Notes a request without an answer; true when this one suspends the unit. `isAlone`: no other unit of the line answers. */
  timedOut(now_s: number, isAlone: boolean): boolean {
    if (this.#probe === null) this.unanswered.release();
    else this.unanswered.doubt();
    this.#failedSince_s ??= now_s;
    this.#failures += 1;
    if (this.#failures < patience) return false;
    const times = this.#failures - patience;
    const wait_s = suspensions_s[Math.min(times, suspensions_s.length - 1)]!;
    this.#askFrom_s = now_s + (isAlone ? loneSuspension_s : wait_s);
    return times === 0;
  }

  /** The unit has no register somewhere in `read`: from now on it is read in two. False when there is nothing to part. */
  split(planned: PlannedBlock, read: RegisterSpan, now_s: number): boolean {
    const two = splitRead(read, planned.parts);
    if (two === null) return false;
    planned.reads = planned.reads.flatMap((other) => (other === read ? two : [other]));
    this.#probe = this.#plan();
    this.unanswered.replan(this.#probe?.isDistinct ?? false, now_s);
    return true;
  }

  #plan(): Probe | null {
    const rings = this.bursts.flatMap(({ spans }) => spans);
    const spans = [...this.blocks.flatMap(({ reads }) => reads), ...rings];
    if (spans.length === 0 || !this.#needsProof) return null;
    const isTaken = (table: RegisterSpan['table'], bytes: number) =>
      this.bursts.some((burst) => burst.takes(table, bytes));
    return planProbe(spans, isTaken);
  }
}

/** Parts of a block that a read brings whole. */
export function partsIn({ parts }: PlannedBlock, read: RegisterSpan): readonly BlockPart[] {
  return parts.filter((part) => holds(read, part));
}

/** One unit an address; devices of one address are asked as one. Throws RangeError when a plan cannot be made. */
export function unitsOf(specs: readonly ModbusUnitSpec[], needsProof: boolean): UnitHealth[] {
  return [...Map.groupBy(specs, ({ unit }) => unit).values()].map((same) => new UnitHealth(same, needsProof));
}
