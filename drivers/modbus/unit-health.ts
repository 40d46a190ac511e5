/** One unit of a line: its plan, what it still owes, and whether it is worth asking. */
import type { ModbusUnitSpec } from '../line-spec.ts';
import { type PollBlock, type Probe, planBlocks, planProbe } from './poll-plan.ts';
import { Unanswered } from './unanswered.ts';

/** So many requests in a row without an answer suspend a unit. */
const patience = 3;

/** First and longest wait before a suspended unit is probed again, in s; it doubles in between. */
const suspension_s = { first: 1, longest: 10 } as const;

export class UnitHealth {
  readonly spec: ModbusUnitSpec;
  readonly blocks: readonly PollBlock[];
  readonly probe: Probe;
  readonly unanswered: Unanswered;
  #failures = 0;
  #askFrom_s = Number.NEGATIVE_INFINITY;

  /** Throws RangeError when the unit's channels cannot be planned. */
  constructor(spec: ModbusUnitSpec) {
    this.spec = spec;
    this.blocks = planBlocks(spec);
    if (this.blocks.length === 0) throw new RangeError(`unit ${spec.id} has no channels`);
    this.probe = planProbe(this.blocks);
    this.unanswered = new Unanswered(this.probe.isDistinct, spec.lateness_s ?? null);
  }

  get isSuspended(): boolean {
    return this.#failures >= patience;
  }

  /** Whether a poll or at least a probe may be sent now. */
  mayAsk(now_s: number): boolean {
    if (this.unanswered.isConfirmed) return true;
    return now_s >= this.#askFrom_s && now_s >= this.unanswered.probeFrom_s(now_s);
  }

  answered(): void {
    this.forgive();
  }

  /** Ends a suspension; the doubt stays. */
  forgive(): void {
    this.#failures = 0;
    this.#askFrom_s = Number.NEGATIVE_INFINITY;
  }

  /** Notes a request without an answer; true when this one suspends the unit. */
  timedOut(now_s: number): boolean {
    this.unanswered.doubt();
    this.#failures += 1;
    if (this.#failures < patience) return false;
    const doublings = this.#failures - patience;
    this.#askFrom_s = now_s + Math.min(suspension_s.first * 2 ** doublings, suspension_s.longest);
    return doublings === 0;
  }
}
