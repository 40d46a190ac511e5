/** The slots of one block: the one that is used now with what is left to read in it, and those that pass unused. */
import { type Counters, count } from '../driver.ts';
import type { RegisterSpan } from '../line-spec.ts';
import { holds } from './poll-plan.ts';
import { exceptionCode } from './protocol.ts';
import type { Schedule } from './schedule.ts';
import type { PlannedBlock } from './unit-health.ts';
import type { Outcome } from './wire.ts';

/** A unit that says "busy" or "acknowledged" is left alone for so long, in s. */
const busyPause_s = 0.05;

/** A slot in use. */
interface Used {
  readonly index: number;
  readonly end_s: number;
  due_s: number;
  left: readonly RegisterSpan[];
  triesLeft: number;
  /** What is asked next was asked before in this slot. */
  isRepeat: boolean;
}

export class BlockSlots {
  readonly planned: PlannedBlock;
  readonly #place: number;
  readonly #schedule: Schedule;
  readonly #counters: Counters;
  #used: Used | null = null;
  /** Slots that have passed unused since the last one that was used. */
  #passed = 0;
  #late = 0;

  /** `place` of the block in `schedule`. */
  constructor(planned: PlannedBlock, place: number, schedule: Schedule, counters: Counters) {
    this.planned = planned;
    this.#place = place;
    this.#schedule = schedule;
    this.#counters = counters;
  }

  /** Slots so far that passed alone. */
  get late(): number {
    return this.#late;
  }

  /** When the block is to be asked next. */
  get due_s(): number {
    return this.#used?.due_s ?? this.#schedule.slot(this.#place).due_s;
  }

  /** Whether a request that begins at `now_s` still has its slot. A suspended unit's has none: the next `pass` counts it. */
  isOpen(now_s: number): boolean {
    const hasSlot = this.#used !== null || !this.#schedule.hasPassed(this.#place, now_s);
    return hasSlot && this.planned.unit.mayAsk(now_s);
  }

  /** Counts the slots that cannot be used any more, and those that the unit may not use now. */
  pass(now_s: number): void {
    const isHeld = !this.planned.unit.mayAsk(now_s);
    if (this.#used !== null && (isHeld || now_s >= this.#used.end_s)) this.#used = null;
    const passed = this.#schedule.catchUp(this.#place, now_s);
    if (!isHeld) {
      this.#countPassed(passed);
      return;
    }
    count(this.#counters, 'slotsWithheld', passed);
    if (this.#schedule.slot(this.#place).due_s > now_s) return;
    this.#schedule.take(this.#place);
    count(this.#counters, 'slotsWithheld');
  }

  /** What to read now, and in which slot: the next one where none is in use. */
  next(): { readonly read: RegisterSpan; readonly slot: number } {
    this.#used ??= this.#open();
    const { left, index, isRepeat } = this.#used;
    // Counted when it is sent: a repeat that its slot has no time left for never was one.
    if (isRepeat) count(this.#counters, 'requestsRepeated');
    this.#used.isRepeat = false;
    return { read: left[0]!, slot: index };
  }

  /** What became of the latest `next`: it is done with, or asked again while the slot lasts. */
  conclude(read: RegisterSpan, outcome: Outcome, now_s: number): void {
    const used = this.#used;
    if (used === null) return;
    if (outcome.kind === 'reply' || !this.#tryAgain(used, read, outcome, now_s))
      used.left = used.left.slice(1);
    if (used.left.length === 0 || now_s >= used.end_s) this.#used = null;
  }

  /** One slot alone may still be called late; from the second on all are lost. */
  #countPassed(passed: number): void {
    const before = this.#passed;
    this.#passed += passed;
    if (this.#passed > 1) count(this.#counters, 'slotsLost', before > 1 ? passed : this.#passed);
  }

  #open(): Used {
    const { spec, reads } = this.planned;
    const { index, due_s } = this.#schedule.slot(this.#place);
    this.#schedule.take(this.#place);
    if (this.#passed === 1) {
      this.#late += 1;
      count(this.#counters, 'slotsDelayed');
    }
    this.#passed = 0;
    const end_s = due_s + spec.poll_s;
    return { index, due_s, end_s, left: reads, triesLeft: spec.retries ?? 1, isRepeat: false };
  }

  /** What to do after a read that brought nothing: false when it is given up for this slot. */
  #tryAgain(used: Used, read: RegisterSpan, outcome: Outcome, now_s: number): boolean {
    if (outcome.kind === 'exception') {
      const { code } = outcome;
      if (code === exceptionCode.illegalAddress || code === exceptionCode.illegalValue) {
        return this.#part(used, read, now_s);
      }
      if (code !== exceptionCode.acknowledge && code !== exceptionCode.busy) return false;
      used.due_s = now_s + busyPause_s;
    } else if (outcome.kind !== 'unanswered') {
      return false;
    }
    if (used.triesLeft === 0) return false;
    used.triesLeft -= 1;
    used.isRepeat = true;
    return true;
  }

  /** Two reads in place of one that was refused whole, also in this slot. */
  #part(used: Used, read: RegisterSpan, now_s: number): boolean {
    const { planned } = this;
    if (!planned.unit.split(planned, read, now_s)) return false;
    count(this.#counters, 'readsParted');
    used.left = planned.reads.filter((part) => used.left.some((span) => holds(span, part)));
    return true;
  }
}
