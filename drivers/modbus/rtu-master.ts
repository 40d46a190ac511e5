/**
 * Modbus RTU master of one line, over a serial port or RTU bytes over TCP: polls blocks on an absolute schedule, one
 * request in flight. Why a late reply cannot become a wrong value: `unanswered.ts`.
 */
import type { Counters } from '../driver.ts';
import type { ModbusUnitSpec } from '../line-spec.ts';
import type { PollBlock } from './poll-plan.ts';
import type { Clock } from './precise-wait.ts';
import { dataBytes, encodeRead, exceptionBit, exceptionName, readFunction, replyLength } from './protocol.ts';
import { type Frame, RtuFramer } from './rtu-framer.ts';
import { Schedule } from './schedule.ts';
import { Turnarounds } from './turnarounds.ts';
import type { Asked } from './unanswered.ts';
import { UnitHealth } from './unit-health.ts';

/** The part of a link that the master uses; see `link.ts`. */
export interface RtuLine {
  readonly isOpen: boolean;
  readonly characterTime_s: number;
  write(bytes: Uint8Array): number | null;
  readPending(): void;
}

/** A block and how to ask for it. */
export interface PolledBlock {
  readonly unit: UnitHealth;
  readonly block: PollBlock;
}

export interface RtuMasterEvents {
  /** Confirmed values of block number `block`, for slot `slot` of its schedule. `data` may be kept. */
  reply(block: number, slot: number, time_s: number, halfWidth_s: number, data: Uint8Array): void;
  /** Some unit answers, or none does any more. */
  answering(isAnswering: boolean): void;
}

/** Names and meanings of what the master counts; the driver publishes them. */
const counted = [
  'requestsSent',
  'probesSent',
  'repliesReceived',
  'probesAnswered',
  /** No reply in time, a damaged one included. */
  'requestsTimedOut',
  'exceptionsReceived',
  /** Replies to requests that had been given up. */
  'lateRepliesDiscarded',
  /** Awaited headers with a wrong CRC behind them. */
  'crcErrorsSeen',
  /** Bytes that belonged to no awaited frame. */
  'bytesDiscarded',
  /** Polls that could not start in their slot: line busy or away. */
  'slotsLost',
  /** Polls not asked because their unit was unconfirmed or suspended. */
  'slotsWithheld',
  'unitsSuspended',
] as const;

/** Longest nap of the loop, in s, so that `stop` and a lost line are noticed. */
const longestNap_s = 0.1;

/** Before a request begins, so much is kept for looking at the line and the schedule, in s: a failed read costs 20 us. */
const preparation_s = 0.2e-3;

/** What ended an exchange. */
type Outcome = 'answered' | 'unanswered' | 'abandoned';

interface Exchange {
  readonly unit: UnitHealth;
  readonly asked: Asked;
  readonly written_s: number;
  readonly block: number;
  readonly slot: number;
  readonly settle: (outcome: Outcome) => void;
}

export class RtuMaster {
  /** Request end to first byte of the reply. */
  readonly turnarounds = new Turnarounds();
  readonly #line: RtuLine;
  readonly #clock: Clock;
  readonly #counters: Counters;
  readonly #events: RtuMasterEvents;
  readonly #units: readonly UnitHealth[];
  readonly #byAddress: ReadonlyMap<number, UnitHealth>;
  readonly #blocks: readonly PolledBlock[];
  readonly #schedule: Schedule;
  readonly #framer: RtuFramer;
  readonly #silence_s: number;
  #exchange: Exchange | null = null;
  /** Nothing was on the wire after this instant, as far as known. */
  #busyUntil_s = Number.NEGATIVE_INFINITY;
  #isAnswering = true;
  #isStopped = false;
  #loop: Promise<void> = Promise.resolve();

  /** `silence_s`: least silence before a request. Throws RangeError when a plan cannot be made. */
  constructor(
    units: readonly ModbusUnitSpec[],
    line: RtuLine,
    silence_s: number,
    clock: Clock,
    counters: Counters,
    events: RtuMasterEvents,
  ) {
    this.#line = line;
    this.#clock = clock;
    this.#counters = counters;
    this.#events = events;
    this.#silence_s = silence_s;
    this.#units = units.map((unit) => new UnitHealth(unit));
    this.#byAddress = new Map(this.#units.map((unit) => [unit.spec.unit, unit]));
    if (this.#byAddress.size < units.length)
      throw new RangeError('two units of one line have the same address');
    this.#blocks = this.#units.flatMap((unit) => unit.blocks.map((block) => ({ unit, block })));
    this.#schedule = new Schedule(this.#blocks.map(({ unit }) => unit.spec.poll_s));
    this.#framer = new RtuFramer(
      {
        awaits: (unit, functionCode, byteCount) =>
          this.#byAddress.get(unit)?.unanswered.awaits(functionCode, byteCount) ?? false,
        frame: (frame) => this.#take(frame),
        crcFailed: () => this.#count('crcErrorsSeen'),
        discarded: (bytes) => this.#count('bytesDiscarded', bytes),
      },
      line.characterTime_s,
    );
    for (const name of counted) counters[name] ??= 0;
  }

  /** Blocks in the order of `block` in the events. */
  get blocks(): readonly PolledBlock[] {
    return this.#blocks;
  }

  start(): void {
    this.#schedule.start(this.#clock.now_s());
    this.#loop = this.#run();
  }

  /** Resolves when the last exchange has ended; an answer that is being waited for is given up. */
  async stop(): Promise<void> {
    this.#isStopped = true;
    this.#exchange?.settle('abandoned');
    await this.#loop;
  }

  /** Bytes from the line, whole chunk arrived at `time_s`. */
  receive(chunk: Uint8Array, time_s: number): void {
    this.#busyUntil_s = Math.max(this.#busyUntil_s, time_s);
    this.#framer.push(chunk, time_s);
  }

  /** The line is there (again): a suspended unit deserves a look at once. */
  lineOpened(): void {
    for (const unit of this.#units) unit.forgive();
  }

  /** The line has gone; what was asked may still be answered when it comes back. */
  lineLost(): void {
    this.#exchange?.settle('abandoned');
    this.#framer.clear();
  }

  async #run(): Promise<void> {
    while (!this.#isStopped) {
      const now_s = this.#clock.now_s();
      this.#passSlots(now_s);
      const { block, index, due_s } = this.#schedule.first();
      const { unit } = this.#blocks[block]!;
      const free_s = this.#busyUntil_s + Math.max(this.#silence_s, unit.spec.gap_s);
      const start_s = Math.max(due_s, free_s);
      if (!this.#line.isOpen || start_s > now_s + longestNap_s) {
        await this.#clock.until(now_s + longestNap_s);
        continue;
      }
      if (start_s > now_s + preparation_s) {
        await this.#clock.until(start_s - preparation_s);
        continue;
      }
      // What lies unread breaks the silence, and must not be taken for the reply.
      const before_s = this.#busyUntil_s;
      this.#line.readPending();
      await this.#clock.until(start_s);
      const begin_s = this.#clock.now_s();
      if (this.#busyUntil_s !== before_s || this.#schedule.hasPassed(block, begin_s)) continue;
      // A suspended unit's slot has come due: the next pass counts it as withheld.
      if (!unit.mayAsk(begin_s)) continue;
      await this.#turn(block, index);
    }
  }

  /** Counts the slots that cannot be used any more, and those that their unit may not use now. */
  #passSlots(now_s: number): void {
    for (let block = 0; block < this.#blocks.length; block++) {
      const { unit } = this.#blocks[block]!;
      const isHeld = !unit.mayAsk(now_s);
      this.#count(isHeld ? 'slotsWithheld' : 'slotsLost', this.#schedule.catchUp(block, now_s));
      if (!isHeld || this.#schedule.slot(block).due_s > now_s) continue;
      this.#schedule.take(block);
      this.#count('slotsWithheld');
    }
  }

  /** Uses slot `index` of `block`: a probe first where the unit is in doubt, then the block while its slot lasts. */
  async #turn(block: number, index: number): Promise<void> {
    const { unit, block: plan } = this.#blocks[block]!;
    if (!unit.unanswered.isConfirmed) {
      const { table, address, count } = unit.probe;
      this.#count('probesSent');
      await this.#ask(unit, table, address, count, -1, -1);
      return;
    }
    this.#schedule.take(block);
    this.#count('requestsSent');
    await this.#ask(unit, plan.table, plan.address, plan.count, block, index);
  }

  async #ask(
    unit: UnitHealth,
    table: PollBlock['table'],
    address: number,
    count: number,
    block: number,
    slot: number,
  ): Promise<void> {
    const byteCount = dataBytes(table, count);
    const functionCode = readFunction[table];
    const written_s = this.#clock.now_s();
    const end_s = this.#line.write(encodeRead(unit.spec.unit, table, address, count)) ?? written_s;
    this.#busyUntil_s = Math.max(this.#busyUntil_s, end_s);
    const asked = { functionCode, byteCount, isProbe: block < 0, sent_s: end_s };
    unit.unanswered.ask(asked);
    const replyTime_s = replyLength(byteCount) * this.#line.characterTime_s;
    const outcome = await new Promise<Outcome>((resolve) => {
      const cancel = this.#clock.at(end_s + unit.spec.timeout_s + replyTime_s, () => this.#expire());
      const settle = (how: Outcome): void => {
        cancel();
        this.#exchange = null;
        resolve(how);
      };
      this.#exchange = { unit, asked, written_s, block, slot, settle };
    });
    if (outcome === 'answered') {
      unit.answered();
    } else if (outcome === 'abandoned') {
      unit.unanswered.doubt();
    } else {
      this.#count('requestsTimedOut');
      this.#count(`requestsTimedOut:${unit.spec.id}`);
      // Quarantine: the reply may just have begun, and must not meet the next request on the wire.
      this.#busyUntil_s = Math.max(this.#busyUntil_s, this.#clock.now_s() + replyTime_s);
      if (unit.timedOut(this.#clock.now_s())) this.#count('unitsSuspended');
    }
    this.#tellAnswering();
  }

  /** The time is over; but first what the kernel or the framer still holds is looked at: this thread may be the late one. */
  #expire(): void {
    this.#line.readPending();
    this.#framer.finish();
    this.#exchange?.settle('unanswered');
  }

  #take(frame: Frame): void {
    const unit = this.#byAddress.get(frame.unit)!;
    const isException = (frame.functionCode & exceptionBit) !== 0;
    const answered = unit.unanswered.answer(frame.functionCode, frame.data.length);
    const exchange = this.#exchange;
    const isCurrent = exchange !== null && answered === exchange.asked;
    if (!isCurrent) {
      this.#count('lateRepliesDiscarded');
      // An earlier probe's late reply may be all the proof that is needed.
      if (exchange?.unit === unit && exchange.asked.isProbe && unit.unanswered.isConfirmed) {
        this.#count('probesAnswered');
        exchange.settle('answered');
      }
      return;
    }
    if (isException) {
      this.#count('exceptionsReceived');
      this.#count(`exceptionsReceived:${exceptionName(frame.data[0]!)}`);
    } else if (exchange.asked.isProbe) {
      this.#count('probesAnswered');
    } else {
      this.#count('repliesReceived');
      this.#deliver(exchange, frame);
    }
    exchange.settle('answered');
  }

  /** The unit read its registers somewhere between the end of the request and the first byte of the reply. */
  #deliver(exchange: Exchange, frame: Frame): void {
    const { sent_s } = exchange.asked;
    // A wire faster than configured (a pseudo-terminal) answers before the computed end: then only the write is sure.
    const isPaced = frame.start_s >= sent_s;
    const from_s = isPaced ? sent_s : exchange.written_s;
    const to_s = isPaced ? frame.start_s : frame.arrival_s;
    this.turnarounds.add(to_s - from_s);
    this.#events.reply(exchange.block, exchange.slot, (from_s + to_s) / 2, (to_s - from_s) / 2, frame.data);
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
