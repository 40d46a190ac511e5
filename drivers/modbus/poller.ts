/**
 * Polls the blocks of a line's units on an absolute schedule, fetches their bursts, and slips writes in between. How requests
 * travel is the business of the wire.
 */
import type { Counters } from '../driver.ts';
import type { ModbusUnitSpec, RegisterSpan } from '../line-spec.ts';
import type { BurstReader } from './burst-reader.ts';
import type { Clock } from './precise-wait.ts';
import { exceptionCode, exceptionName } from './protocol.ts';
import { type Request, readRequest } from './requests.ts';
import { Schedule } from './schedule.ts';
import { type PlannedBlock, UnitHealth } from './unit-health.ts';
import type { Outcome, Wire, WireLine } from './wire.ts';

/** A block and the unit it is asked of. */
export interface PolledBlock extends PlannedBlock {
  readonly unit: UnitHealth;
}

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

/** A unit that says "busy" or "acknowledged" is left alone for so long, in s. */
const busyPause_s = 0.05;

/** A block in the middle of its slot. */
interface Pending {
  readonly slot: number;
  readonly end_s: number;
  due_s: number;
  left: readonly RegisterSpan[];
  triesLeft: number;
  /** What is asked next was asked before in this slot. */
  isRepeat: boolean;
}

/** A request of somebody's own, such as a write, that waits for its turn. */
interface Order {
  /** Null: all of them. */
  readonly unit: UnitHealth | null;
  readonly request: Request;
  readonly settle: (outcome: Outcome) => void;
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

/** How many orders may wait. */
const mostOrders = 16;

export class Poller {
  readonly #line: WireLine;
  readonly #wire: Wire;
  readonly #clock: Clock;
  readonly #counters: Counters;
  readonly #events: PollerEvents;
  readonly #units: readonly UnitHealth[];
  readonly #blocks: readonly PolledBlock[];
  readonly #bursts: readonly { readonly unit: UnitHealth; readonly reader: BurstReader }[];
  readonly #schedule: Schedule;
  readonly #pending: (Pending | null)[];
  /** Blocks and bursts whose request is on its way. */
  readonly #isAsked: boolean[];
  /** Slots of each block that have passed unused since the last one that was used. */
  readonly #passed: number[];
  /** Slots of each block that were only late, since the start. */
  readonly #late: number[];
  readonly #served: number[];
  readonly #orders: Order[] = [];
  readonly #onTheirWay = new Set<Promise<void>>();
  #turns = 0;
  #isAnswering = true;
  #isStopped = false;
  #wake: () => void = () => undefined;
  #loop: Promise<void> = Promise.resolve();

  constructor(
    units: readonly UnitHealth[],
    line: WireLine,
    wire: Wire,
    clock: Clock,
    counters: Counters,
    events: PollerEvents,
  ) {
    this.#line = line;
    this.#wire = wire;
    this.#clock = clock;
    this.#counters = counters;
    this.#events = events;
    this.#units = units;
    this.#blocks = units.flatMap((unit) => unit.blocks.map((block) => withUnit(block, unit)));
    this.#bursts = units.flatMap((unit) => unit.bursts.map((reader) => ({ unit, reader })));
    this.#schedule = new Schedule(this.#blocks.map(({ spec }) => spec.poll_s));
    this.#pending = this.#blocks.map(() => null);
    this.#passed = this.#blocks.map(() => 0);
    this.#late = this.#blocks.map(() => 0);
    const places = this.#blocks.length + this.#bursts.length;
    this.#isAsked = new Array(places).fill(false);
    this.#served = new Array(places).fill(0);
    for (const name of counted) counters[name] ??= 0;
  }

  /** Blocks in the order of `block` in the events. */
  get blocks(): readonly PolledBlock[] {
    return this.#blocks;
  }

  get bursts(): readonly BurstReader[] {
    return this.#bursts.map(({ reader }) => reader);
  }

  /** Slots of a block so far that passed alone: nothing is missing for them, the next poll took their place. */
  slotsLate(block: number): number {
    return this.#late[block]!;
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
   * is sent. Null: so many wait already that it was not taken.
   */
  order(unit: UnitHealth | null, request: Request): Promise<Outcome> | null {
    if (this.#orders.length >= mostOrders || this.#isStopped) return null;
    return new Promise((settle) => {
      this.#orders.push({ unit, request, settle });
      this.#wake();
    });
  }

  #abandon(): void {
    for (const { settle } of this.#orders.splice(0)) settle({ kind: 'unsent', why: 'the line is closed' });
    this.#wire.abandon();
    this.#wake();
  }

  async #run(): Promise<void> {
    while (!this.#isStopped) {
      const now_s = this.#clock.now_s();
      this.#passSlots(now_s);
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

  /** Counts the slots that cannot be used any more, and those that their unit may not use now. */
  #passSlots(now_s: number): void {
    for (let block = 0; block < this.#blocks.length; block++) {
      if (this.#isAsked[block]) continue;
      const { unit } = this.#blocks[block]!;
      const isHeld = !unit.mayAsk(now_s);
      const pending = this.#pending[block]!;
      if (pending !== null && (isHeld || now_s >= pending.end_s)) this.#pending[block] = null;
      const passed = this.#schedule.catchUp(block, now_s);
      if (isHeld) this.#count('slotsWithheld', passed);
      else this.#countPassed(block, passed);
      if (!isHeld || this.#schedule.slot(block).due_s > now_s) continue;
      this.#schedule.take(block);
      this.#count('slotsWithheld');
    }
  }

  /** One slot alone may still be called late; from the second on all are lost. */
  #countPassed(block: number, passed: number): void {
    const before = this.#passed[block]!;
    const all = before + passed;
    this.#passed[block] = all;
    if (all > 1) this.#count('slotsLost', before > 1 ? passed : all);
  }

  /** What is due first; among equals that whose turn was longest ago, so that none is starved. Orders come before all. */
  #nextTurn(now_s: number): Turn | null {
    const [order] = this.#orders;
    if (order !== undefined) return this.#orderTurn(order);
    let best: Turn | null = null;
    for (let block = 0; block < this.#blocks.length; block++) {
      if (this.#isAsked[block]) continue;
      const due_s = this.#pending[block]?.due_s ?? this.#schedule.slot(block).due_s;
      const { unit } = this.#blocks[block]!;
      if (isBefore(due_s, this.#served[block]!, false, best, now_s))
        best = this.#blockTurn(block, unit, due_s);
    }
    for (let i = 0; i < this.#bursts.length; i++) {
      const place = this.#blocks.length + i;
      const { unit, reader } = this.#bursts[i]!;
      if (this.#isAsked[place] || !unit.mayAsk(now_s)) continue;
      if (!isBefore(reader.due_s, this.#served[place]!, true, best, now_s)) continue;
      best = {
        gap_s: unit.gap_s,
        due_s: reader.due_s,
        served: this.#served[place]!,
        isBurst: true,
        isOpen: (then_s) => unit.mayAsk(then_s),
        serve: () => this.#serveBurst(unit, reader, place),
      };
    }
    return best;
  }

  #blockTurn(block: number, unit: UnitHealth, due_s: number): Turn {
    return {
      gap_s: unit.gap_s,
      due_s,
      served: this.#served[block]!,
      isBurst: false,
      // A suspended unit's slot has come due: the next pass counts it as withheld.
      isOpen: (then_s) =>
        unit.mayAsk(then_s) && (this.#pending[block] !== null || !this.#schedule.hasPassed(block, then_s)),
      serve: () => this.#serveBlock(block),
    };
  }

  #orderTurn(order: Order): Turn {
    const asked = order.unit === null ? this.#units : [order.unit];
    return {
      gap_s: Math.max(...asked.map(({ gap_s }) => gap_s)),
      due_s: Number.NEGATIVE_INFINITY,
      served: 0,
      isBurst: false,
      isOpen: () => this.#orders[0] === order,
      serve: () => this.#serveOrder(order),
    };
  }

  async #serveOrder(order: Order): Promise<void> {
    const { unit, request, settle } = order;
    if (unit === null) {
      this.#orders.shift();
      const now_s = this.#clock.now_s();
      const until_s = this.#wire.broadcast(request);
      if (until_s === null) settle({ kind: 'unsent', why: 'the line took no bytes' });
      else settle({ kind: 'reply', data: new Uint8Array(0), from_s: now_s, to_s: now_s });
      return;
    }
    if (!unit.unanswered.isConfirmed) {
      const now_s = this.#clock.now_s();
      if (unit.unanswered.probeFrom_s(now_s) <= now_s && (await this.#prove(unit))) return;
      // Whether it hears at all is not known: nothing is sent that might be carried out unseen.
      if (this.#orders[0] === order) this.#orders.shift();
      settle({ kind: 'unsent', why: 'the device does not answer' });
      return;
    }
    this.#orders.shift();
    settle(await this.#ask(unit, request));
  }

  /** Uses the slot of `block`: a probe first where the unit is in doubt, then its reads one after the other while the slot lasts. */
  async #serveBlock(block: number): Promise<void> {
    const planned = this.#blocks[block]!;
    const { unit } = planned;
    this.#served[block] = this.#turns;
    if (!unit.unanswered.isConfirmed) {
      await this.#guard(block, () => this.#prove(unit));
      return;
    }
    const pending = this.#pending[block] ?? this.#openSlot(block);
    const [read] = pending.left;
    if (read === undefined) return;
    // Counted when it is sent: a repeat that its slot has no time left for never was one.
    if (pending.isRepeat) this.#count('requestsRepeated');
    pending.isRepeat = false;
    const outcome = await this.#guard(block, () =>
      this.#ask(unit, readRequest(read.table, read.address, read.count)),
    );
    const now_s = this.#clock.now_s();
    if (outcome.kind === 'reply') {
      const { from_s, to_s, data } = outcome;
      this.#events.reply(block, read, pending.slot, (from_s + to_s) / 2, (to_s - from_s) / 2, data);
      pending.left = pending.left.slice(1);
    } else if (!this.#tryAgain(planned, pending, read, outcome, now_s)) {
      pending.left = pending.left.slice(1);
    }
    const isDone = pending.left.length === 0 || now_s >= pending.end_s;
    this.#pending[block] = isDone ? null : pending;
  }

  #openSlot(block: number): Pending {
    const { spec, reads } = this.#blocks[block]!;
    const { index, due_s } = this.#schedule.slot(block);
    this.#schedule.take(block);
    if (this.#passed[block] === 1) {
      this.#late[block]! += 1;
      this.#count('slotsDelayed');
    }
    this.#passed[block] = 0;
    const end_s = due_s + spec.poll_s;
    return { slot: index, due_s, end_s, left: reads, triesLeft: spec.retries ?? 1, isRepeat: false };
  }

  /** What to do after a read that brought nothing: false when it is given up for this slot. */
  #tryAgain(
    planned: PlannedBlock & { readonly unit: UnitHealth },
    pending: Pending,
    read: RegisterSpan,
    outcome: Outcome,
    now_s: number,
  ): boolean {
    if (outcome.kind === 'exception') {
      const { code } = outcome;
      if (code === exceptionCode.illegalAddress || code === exceptionCode.illegalValue) {
        if (planned.unit.split(planned, read, now_s)) {
          this.#count('readsParted');
          pending.left = planned.reads.filter((part) => isInside(part, pending.left));
          return true;
        }
        return false;
      }
      if (code !== exceptionCode.acknowledge && code !== exceptionCode.busy) return false;
      pending.due_s = now_s + busyPause_s;
    } else if (outcome.kind !== 'unanswered') {
      return false;
    }
    if (pending.triesLeft === 0) return false;
    pending.triesLeft -= 1;
    pending.isRepeat = true;
    return true;
  }

  async #serveBurst(unit: UnitHealth, reader: BurstReader, place: number): Promise<void> {
    this.#served[place] = this.#turns;
    if (!unit.unanswered.isConfirmed) {
      await this.#guard(place, () => this.#prove(unit));
      return;
    }
    const request = reader.next(this.#clock.now_s());
    const outcome = await this.#guard(place, () => this.#ask(unit, request));
    if (outcome.kind === 'reply') reader.take(outcome.data, outcome.from_s, outcome.to_s);
    else reader.fail(this.#clock.now_s());
  }

  /** Marks a place as asked meanwhile. */
  async #guard<T>(place: number, ask: () => Promise<T>): Promise<T> {
    this.#isAsked[place] = true;
    const result = await ask();
    this.#isAsked[place] = false;
    return result;
  }

  /** Asks the probe, whose values are thrown away. */
  async #prove(unit: UnitHealth): Promise<boolean> {
    const { probe } = unit;
    if (probe === null) return true;
    this.#count('probesSent');
    const outcome = await this.#wire.ask(unit, readRequest(probe.table, probe.address, probe.count), true);
    if (outcome.kind === 'reply' || outcome.kind === 'proven') this.#count('probesAnswered');
    this.#conclude(unit, outcome);
    return unit.unanswered.isConfirmed;
  }

  async #ask(unit: UnitHealth, request: Request): Promise<Outcome> {
    this.#count('requestsSent');
    const outcome = await this.#wire.ask(unit, request, false);
    if (outcome.kind === 'reply') this.#count('repliesReceived');
    this.#conclude(unit, outcome);
    return outcome;
  }

  /** Notes what an exchange says about the unit's health. */
  #conclude(unit: UnitHealth, outcome: Outcome): void {
    if (outcome.kind === 'exception') {
      this.#count('exceptionsReceived');
      this.#count(`exceptionsReceived:${exceptionName(outcome.code)}`);
    }
    if (isSilence(outcome)) {
      this.#count('requestsTimedOut');
      this.#count(`requestsTimedOut:${unit.id}`);
      const isAlone = this.#units.every((other) => other === unit || other.isSuspended);
      if (unit.timedOut(this.#clock.now_s(), isAlone)) this.#count('unitsSuspended');
    } else if (outcome.kind !== 'abandoned' && outcome.kind !== 'unsent') {
      unit.forgive();
    }
    this.#tellAnswering();
  }

  #tellAnswering(): void {
    const isAnswering = this.#units.some((unit) => !unit.isSuspended);
    if (isAnswering === this.#isAnswering) return;
    this.#isAnswering = isAnswering;
    this.#events.answering(isAnswering);
  }

  #count(name: string, by = 1): void {
    this.#counters[name] = (this.#counters[name] ?? 0) + by;
  }
}

/** One unit an address; devices of one address are asked as one. Throws RangeError when a plan cannot be made. */
export function unitsOf(specs: readonly ModbusUnitSpec[], needsProof: boolean): UnitHealth[] {
  return [...new Set(specs.map(({ unit }) => unit))].map(
    (address) =>
      new UnitHealth(
        specs.filter(({ unit }) => unit === address),
        needsProof,
      ),
  );
}

/** `reads` of the plan change when the unit refuses one: the object itself must stay the same. */
function withUnit(block: PlannedBlock, unit: UnitHealth): PolledBlock {
  return Object.assign(block, { unit });
}

function isInside(part: RegisterSpan, spans: readonly RegisterSpan[]): boolean {
  return spans.some(
    ({ address, count }) => part.address >= address && part.address + part.count <= address + count,
  );
}

/** Nobody answered, or a gateway says that its unit did not. */
function isSilence(outcome: Outcome): boolean {
  if (outcome.kind === 'unanswered') return true;
  return (
    outcome.kind === 'exception' &&
    (outcome.code === exceptionCode.noPath || outcome.code === exceptionCode.noResponse)
  );
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
