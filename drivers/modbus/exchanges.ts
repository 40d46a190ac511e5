/** Asks units over the wire, and notes what every exchange says about their health. */
import { type Counters, count } from '../driver.ts';
import type { PreciseClock } from './precise-wait.ts';
import { exceptionCode, exceptionName } from './protocol.ts';
import { type Request, readRequest } from './requests.ts';
import type { UnitHealth } from './unit-health.ts';
import type { Outcome, Wire } from './wire.ts';

export class Exchanges {
  readonly #units: readonly UnitHealth[];
  readonly #wire: Wire;
  readonly #clock: PreciseClock;
  readonly #counters: Counters;
  readonly #answering: (isAnswering: boolean) => void;
  #isAnswering = true;

  /** False from when no unit answers any more until one does; an opened line alone changes nothing. */
  get isAnswering(): boolean {
    return this.#isAnswering;
  }

  /** `answering` is called when some of `units` answers, or none does any more. */
  constructor(
    units: readonly UnitHealth[],
    wire: Wire,
    clock: PreciseClock,
    counters: Counters,
    answering: (isAnswering: boolean) => void,
  ) {
    this.#units = units;
    this.#wire = wire;
    this.#clock = clock;
    this.#counters = counters;
    this.#answering = answering;
  }

  async ask(unit: UnitHealth, request: Request): Promise<Outcome> {
    count(this.#counters, 'requestsSent');
    const outcome = await this.#wire.ask(unit, request, false);
    if (outcome.kind === 'reply') count(this.#counters, 'repliesReceived');
    this.#conclude(unit, outcome);
    return outcome;
  }

  /** Asks the probe, whose values are thrown away; true when the unit is confirmed then. */
  async prove(unit: UnitHealth): Promise<boolean> {
    const { probe } = unit;
    if (probe === null) return true;
    count(this.#counters, 'probesSent');
    const outcome = await this.#wire.ask(unit, readRequest(probe.table, probe.address, probe.count), true);
    if (outcome.kind === 'reply' || outcome.kind === 'proven') count(this.#counters, 'probesAnswered');
    this.#conclude(unit, outcome);
    return unit.unanswered.isConfirmed;
  }

  #conclude(unit: UnitHealth, outcome: Outcome): void {
    if (outcome.kind === 'exception') {
      count(this.#counters, 'exceptionsReceived');
      count(this.#counters, `exceptionsReceived:${exceptionName(outcome.code)}`);
    }
    if (isSilence(outcome)) {
      count(this.#counters, 'requestsTimedOut');
      count(this.#counters, `requestsTimedOut:${unit.id}`);
      const isAlone = this.#units.every((other) => other === unit || other.isSuspended);
      if (unit.timedOut(this.#clock.now_s(), isAlone)) count(this.#counters, 'unitsSuspended');
      if (this.#units.every(({ isSuspended }) => isSuspended)) this.#tellAnswering(false);
    } else if (outcome.kind !== 'abandoned' && outcome.kind !== 'unsent') {
      unit.answered();
      this.#tellAnswering(true);
    }
  }

  #tellAnswering(isAnswering: boolean): void {
    if (isAnswering === this.#isAnswering) return;
    this.#isAnswering = isAnswering;
    this.#answering(isAnswering);
  }
}

/** Nobody answered, or a gateway says that its unit did not. */
function isSilence(outcome: Outcome): boolean {
  if (outcome.kind === 'unanswered') return true;
  return (
    outcome.kind === 'exception' &&
    (outcome.code === exceptionCode.noPath || outcome.code === exceptionCode.noResponse)
  );
}
