/**
 * Polls the blocks of a line's units on an absolute schedule, fetches their bursts, and slips writes in between. How requests
 * travel is the business of the wire.
 */
import type { Counters } from '../driver.ts';
import type { RegisterSpan } from '../line-spec.ts';
import { BlockSlots } from './block-slots.ts';
import type { BurstReader } from './burst-reader.ts';
import { Exchanges } from './exchanges.ts';
import { type Order, Orders } from './orders.ts';
import type { PreciseClock } from './precise-wait.ts';
import { type Request, readRequest } from './requests.ts';
import { Schedule } from './schedule.ts';
import type { PlannedBlock, UnitHealth } from './unit-health.ts';
import type { Outcome, Wire, WireLine } from './wire.ts';

export interface PollerEvents {
  /** Confirmed values of a read of block number `block`, for slot `slot` of its schedule. `data` may be kept. */
  reply(
    block: number,
    read: RegisterSpan,
    slot: number,
    time_s: number,
    halfWidth_s: number,
    data: Uint8Array,
  ): void;
  /** Some unit answers, or none does any more. */
  answering(isAnswering: boolean): void;
}

/** Names and meanings of what is counted; the driver publishes them. */
const counted = [
  'requestsSent',
  'probesSent',
  'repliesReceived',
  'probesAnswered',
  /** No reply in time, a damaged one included. */
  'requestsTimedOut',
  /** Reads asked again within their slot. */
  'requestsRepeated',
  'exceptionsReceived',
  /** Replies to requests that had been given up. */
  'lateRepliesDiscarded',
  /** Awaited headers with a wrong CRC behind them. */
  'crcErrorsSeen',
  /** Bytes that belonged to no awaited frame. */
  'bytesDiscarded',
  /** Polls that could not start in their slot: line busy or away. Two or more in a row. */
  'slotsLost',
  /** A single such poll: the next one came in its slot, the value was read late. */
  'slotsDelayed',
  /** Polls not asked because their unit was unconfirmed or suspended. */
  'slotsWithheld',
  'unitsSuspended',
  /** Reads that a unit refused whole and that are two from then on. */
  'readsParted',
] as const;

/** Longest nap of the loop, in s, so that `stop` and a lost line are noticed. */
const longestNap_s = 0.1;

/** Before a request begins, so much is kept for looking at the line and the schedule, in s: a failed read costs 20 us. */
const preparation_s = 0.2e-3;

/** What is asked again and again: a block or a burst. */
interface Place {
  /** Its request is on its way. */
  isAsked: boolean;
  /** Number of the turn in which it was served last. */
  served: number;
}

interface BlockPlace extends Place {
  readonly slots: BlockSlots;
}

interface BurstPlace extends Place {
  readonly unit: UnitHealth;
  readonly reader: BurstReader;
}

/** What may be done next, and when. */
interface Turn {
  /** Silence wanted before it, in s. */
  readonly gap_s: number;
  readonly due_s: number;
  /** Number of the turn in which its like was served last. */
  readonly served: number;
  readonly isBurst: boolean;
  /** Still sensible at the instant at which it begins. */
  readonly isOpen: (now_s: number) => boolean;
  readonly serve: () => Promise<void>;
}

export class Poller {
  /** In the order of `block` in the events. */
  readonly blocks: readonly PlannedBlock[];
  readonly #line: WireLine;
  readonly #wire: Wire;
  readonly #clock: PreciseClock;
  readonly #events: PollerEvents;
  readonly #units: readonly UnitHealth[];
  readonly #exchanges: Exchanges;
  readonly #schedule: Schedule;
  readonly #places: readonly BlockPlace[];
  readonly #bursts: readonly BurstPlace[];
  readonly #orders: Orders;
  readonly #onTheirWay = new Set<Promise<void>>();
  #turns = 0;
  #isStopped = false;
  #wake: () => void = () => undefined;
  #loop: Promise<void> = Promise.resolve();

  constructor(
    units: readonly UnitHealth[],
    line: WireLine,
    wire: Wire,
    clock: PreciseClock,
    counters: Counters,
    events: PollerEvents,
  ) {
    this.#line = line;
    this.#wire = wire;
    this.#clock = clock;
    this.#events = events;
    this.#units = units;
    this.#exchanges = new Exchanges(units, wire, clock, counters, (isAnswering) =>
      events.answering(isAnswering),
    );
    this.#orders = new Orders(wire, clock, this.#exchanges);
    this.blocks = units.flatMap((unit) => unit.blocks);
    this.#schedule = new Schedule(this.blocks.map(({ spec }) => spec.poll_s));
    this.#places = this.blocks.map((planned, i) => ({
      slots: new BlockSlots(planned, i, this.#schedule, counters),
      isAsked: false,
      served: 0,
    }));
    this.#bursts = units.flatMap((unit) =>
      unit.bursts.map((reader) => ({ unit, reader, isAsked: false, served: 0 })),
    );
    for (const name of counted) counters[name] ??= 0;
  }

  get bursts(): readonly BurstReader[] {
    return this.#bursts.map(({ reader }) => reader);
  }

  /** Slots of a block so far that passed alone: nothing is missing for them, the next poll took their place. */
  slotsLate(block: number): number {
    return this.#places[block]!.slots.late;
  }

  start(): void {
    this.#schedule.start(this.#clock.now_s());
    this.#loop = this.#run();
  }

  /** Resolves when the last exchange has ended; an answer that is being waited for is given up. */
  async stop(): Promise<void> {
    this.#isStopped = true;
    this.#abandon();
    await this.#loop;
    await Promise.all(this.#onTheirWay);
    for (const { reader } of this.#bursts) reader.flush();
  }

  /** False from when no unit answers any more until one does. */
  get isAnswering(): boolean {
    return this.#exchanges.isAnswering;
  }

  /** The line is there (again): a suspended unit deserves a look at once. */
  lineOpened(): void {
    for (const unit of this.#units) unit.forgive();
  }

  /** The line has gone; what was asked may still be answered when it comes back. */
  lineLost(): void {
    this.#abandon();
  }

  /**
   * Sends one request between the polls; to all units (`unit` null) as a broadcast, whose reply is empty and comes when it
   * is sent. Unsent while the line is closed: nobody wants it carried out when it comes back. Null: so many wait already that
   * it was not taken.
   */
  order(unit: UnitHealth | null, request: Request): Promise<Outcome> | null {
    if (this.#isStopped) return null;
    const outcome = this.#orders.add(unit, request);
    if (!this.#line.isOpen) this.#orders.abandon();
    this.#wake();
    return outcome;
  }

  #abandon(): void {
    this.#orders.abandon();
    this.#wire.abandon();
    this.#wake();
  }

  async #run(): Promise<void> {
    while (!this.#isStopped) {
      const now_s = this.#clock.now_s();
      for (const { slots, isAsked } of this.#places) if (!isAsked) slots.pass(now_s);
      const turn = this.#nextTurn(now_s);
      const start_s =
        turn === null ? Number.POSITIVE_INFINITY : Math.max(turn.due_s, this.#wire.freeFrom_s(turn.gap_s));
      if (turn === null || !this.#line.isOpen || start_s > now_s + longestNap_s) {
        await this.#nap(now_s + longestNap_s);
        continue;
      }
      if (start_s > now_s + preparation_s) {
        await this.#nap(start_s - preparation_s);
        continue;
      }
      // What lies unread breaks the silence, and must not be taken for the reply.
      const before_s = this.#wire.busyUntil_s;
      this.#wire.readPending();
      await this.#clock.until(start_s);
      if (this.#wire.busyUntil_s !== before_s || !turn.isOpen(this.#clock.now_s())) continue;
      await this.#begin(turn);
    }
  }

  /** Serves `turn`; returns when there is room for another. */
  async #begin({ serve }: Turn): Promise<void> {
    this.#turns += 1;
    if (this.#wire.most === 1) {
      await serve();
      return;
    }
    const served = serve().finally(() => {
      this.#onTheirWay.delete(served);
      this.#wake();
    });
    this.#onTheirWay.add(served);
    if (this.#onTheirWay.size >= this.#wire.most) await Promise.race(this.#onTheirWay);
  }

  /** Sleeps up to `instant_s`, or until something comes up. */
  async #nap(instant_s: number): Promise<void> {
    if (this.#onTheirWay.size === 0 && instant_s < this.#clock.now_s() + longestNap_s) {
      await this.#clock.near(instant_s);
      return;
    }
    await new Promise<void>((resolve) => {
      const cancel = this.#clock.at(instant_s, resolve);
      this.#wake = () => {
        cancel();
        resolve();
      };
    });
    this.#wake = () => undefined;
  }

  /** What is due first; among equals that whose turn was longest ago, so that none is starved. Orders come before all. */
  #nextTurn(now_s: number): Turn | null {
    const order = this.#orders.first;
    if (order !== undefined) return this.#orderTurn(order);
    let best: Turn | null = null;
    for (const [block, place] of this.#places.entries()) {
      const { slots, served } = place;
      const { unit } = slots.planned;
      const { due_s } = slots;
      if (place.isAsked || !isBefore(due_s, served, false, best, now_s)) continue;
      const serve = () => this.#serve(place, unit, () => this.#pollBlock(block, slots));
      const isOpen = (then_s: number) => slots.isOpen(then_s);
      best = { gap_s: unit.gap_s, due_s, served, isBurst: false, isOpen, serve };
    }
    for (const place of this.#bursts) {
      const { unit, reader, served } = place;
      const { due_s } = reader;
      if (place.isAsked || !unit.mayAsk(now_s) || !isBefore(due_s, served, true, best, now_s)) continue;
      const serve = () => this.#serve(place, unit, () => this.#pollBurst(unit, reader));
      const isOpen = (then_s: number) => unit.mayAsk(then_s);
      best = { gap_s: unit.gap_s, due_s, served, isBurst: true, isOpen, serve };
    }
    return best;
  }

  #orderTurn(order: Order): Turn {
    const asked = order.unit === null ? this.#units : [order.unit];
    return {
      gap_s: Math.max(...asked.map(({ gap_s }) => gap_s)),
      due_s: Number.NEGATIVE_INFINITY,
      served: 0,
      isBurst: false,
      isOpen: () => this.#orders.first === order,
      serve: () => this.#orders.serve(order),
    };
  }

  /** The turn of a block or burst: a probe first where its unit is in doubt. */
  async #serve(place: Place, unit: UnitHealth, poll: () => Promise<void>): Promise<void> {
    place.served = this.#turns;
    place.isAsked = true;
    if (unit.unanswered.isConfirmed) await poll();
    else await this.#exchanges.prove(unit);
    place.isAsked = false;
  }

  /** Uses the slot of a block, for one of its reads after the other while the slot lasts. */
  async #pollBlock(block: number, slots: BlockSlots): Promise<void> {
    const { read, slot } = slots.next();
    const request = readRequest(read.table, read.address, read.count);
    const outcome = await this.#exchanges.ask(slots.planned.unit, request);
    const now_s = this.#clock.now_s();
    if (outcome.kind === 'reply') {
      const { from_s, to_s, data } = outcome;
      this.#events.reply(block, read, slot, (from_s + to_s) / 2, (to_s - from_s) / 2, data);
    }
    slots.conclude(read, outcome, now_s);
  }

  async #pollBurst(unit: UnitHealth, reader: BurstReader): Promise<void> {
    const outcome = await this.#exchanges.ask(unit, reader.next(this.#clock.now_s()));
    if (outcome.kind === 'reply') reader.take(outcome.data, outcome.from_s, outcome.to_s);
    else reader.fail(this.#clock.now_s());
  }
}

/**
 * Whether what is due at `due_s`, last served in turn `served`, comes before `best`. A burst that cannot keep up is due always:
 * it takes turns with the polls that are due.
 */
function isBefore(
  due_s: number,
  served: number,
  isBurst: boolean,
  best: Turn | null,
  now_s: number,
): boolean {
  if (best === null) return true;
  const isByTurns =
    due_s === best.due_s || ((isBurst || best.isBurst) && due_s <= now_s && best.due_s <= now_s);
  return isByTurns ? served < best.served : due_s < best.due_s;
}
