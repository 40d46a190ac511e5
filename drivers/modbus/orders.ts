/** Single requests, such as writes, that wait for their turn among the polls. */
import type { Exchanges } from './exchanges.ts';
import type { PreciseClock } from './precise-wait.ts';
import type { Request } from './requests.ts';
import type { UnitHealth } from './unit-health.ts';
import type { Outcome, Wire } from './wire.ts';

export interface Order {
  /** Null: all of them. */
  readonly unit: UnitHealth | null;
  readonly request: Request;
  readonly settle: (outcome: Outcome) => void;
}

/** How many may wait. */
const most = 16;

export class Orders {
  readonly #wire: Wire;
  readonly #clock: PreciseClock;
  readonly #exchanges: Exchanges;
  readonly #waiting: Order[] = [];

  constructor(wire: Wire, clock: PreciseClock, exchanges: Exchanges) {
    this.#wire = wire;
    this.#clock = clock;
    this.#exchanges = exchanges;
  }

  /** The one whose turn is next. */
  get first(): Order | undefined {
    return this.#waiting[0];
  }

  /** Null: so many wait already that it was not taken. */
  add(unit: UnitHealth | null, request: Request): Promise<Outcome> | null {
    if (this.#waiting.length >= most) return null;
    return new Promise((settle) => {
      this.#waiting.push({ unit, request, settle });
    });
  }

  abandon(): void {
    for (const { settle } of this.#waiting.splice(0)) settle({ kind: 'unsent', why: 'the line is closed' });
  }

  /** Serves the first one, or, where its unit is in doubt, asks that a probe. */
  async serve(order: Order): Promise<void> {
    const { unit, request, settle } = order;
    if (unit === null) {
      this.#waiting.shift();
      settle(this.#broadcast(request));
      return;
    }
    if (!unit.unanswered.isConfirmed) {
      const now_s = this.#clock.now_s();
      if (unit.unanswered.probeFrom_s(now_s) <= now_s && (await this.#exchanges.prove(unit))) return;
      // Whether it receives at all is unknown: nothing is sent that might be carried out unseen.
      if (this.first === order) this.#waiting.shift();
      settle({ kind: 'unsent', why: 'the device does not answer' });
      return;
    }
    this.#waiting.shift();
    settle(await this.#exchanges.ask(unit, request));
  }

  #broadcast(request: Request): Outcome {
    const now_s = this.#clock.now_s();
    if (this.#wire.broadcast(request) === null) return { kind: 'unsent', why: 'the line took no bytes' };
    return { kind: 'reply', data: new Uint8Array(0), from_s: now_s, to_s: now_s };
  }
}
