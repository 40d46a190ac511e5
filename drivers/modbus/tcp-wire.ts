/** Modbus TCP: every request has a number that its reply repeats, so several may be on their way where the device takes them. */
import { type Counters, count } from '../driver.ts';
import { type MbapFrame, MbapFramer, mbapFrame } from './mbap-framer.ts';
import type { PreciseClock } from './precise-wait.ts';
import { broadcast, broadcastPause_s, exceptionBit } from './protocol.ts';
import { isReply, payload, type Request } from './requests.ts';
import { Turnarounds } from './turnarounds.ts';
import type { UnitHealth } from './unit-health.ts';
import type { Outcome, Wire, WireLine } from './wire.ts';

interface Exchange {
  readonly unit: number;
  readonly request: Request;
  readonly sent_s: number;
  readonly settle: (outcome: Outcome) => void;
}

export class TcpWire implements Wire {
  readonly turnarounds = new Turnarounds();
  readonly most: number;
  readonly #line: WireLine;
  readonly #clock: PreciseClock;
  readonly #counters: Counters;
  readonly #broken: (why: string) => void;
  readonly #framer = new MbapFramer((frame) => this.#take(frame));
  readonly #exchanges = new Map<number, Exchange>();
  #transaction = 0;
  #busyUntil_s = Number.NEGATIVE_INFINITY;

  /** `most`: requests on their way at a time. `broken`: the stream cannot be read any further; open it anew. */
  constructor(
    line: WireLine,
    most: number,
    clock: PreciseClock,
    counters: Counters,
    broken: (why: string) => void,
  ) {
    this.#line = line;
    this.most = most;
    this.#clock = clock;
    this.#counters = counters;
    this.#broken = broken;
  }

  /** The network keeps requests and replies apart. */
  get busyUntil_s(): number {
    return 0;
  }

  freeFrom_s(gap_s: number): number {
    return this.#busyUntil_s + gap_s;
  }

  readPending(): void {
    // A socket cannot be asked.
  }

  async ask(unit: UnitHealth, request: Request): Promise<Outcome> {
    const transaction = this.#number();
    const sent_s = this.#clock.now_s();
    const frame = mbapFrame(transaction, unit.unit, request.pdu);
    if (this.#line.write(frame) === null) return { kind: 'abandoned' };
    const outcome = await new Promise<Outcome>((resolve) => {
      const cancel = this.#clock.at(sent_s + unit.timeout_s, () => settle({ kind: 'unanswered' }));
      const settle = (how: Outcome): void => {
        cancel();
        this.#exchanges.delete(transaction);
        resolve(how);
      };
      this.#exchanges.set(transaction, { unit: unit.unit, request, sent_s, settle });
    });
    this.#busyUntil_s = this.#clock.now_s();
    return outcome;
  }

  broadcast(request: Request): number | null {
    const end_s = this.#line.write(mbapFrame(this.#number(), broadcast, request.pdu));
    if (end_s === null) return null;
    this.#busyUntil_s = end_s + broadcastPause_s;
    return this.#busyUntil_s;
  }

  receive(chunk: Uint8Array, time_s: number): void {
    if (this.#framer.push(chunk, time_s)) return;
    this.#framer.clear();
    this.#broken('the answer is not Modbus TCP; for a serial server write "transport: rtu-over-tcp"');
  }

  abandon(): void {
    for (const { settle } of [...this.#exchanges.values()]) settle({ kind: 'abandoned' });
    this.#framer.clear();
  }

  /** The next number that no waiting request has. */
  #number(): number {
    do this.#transaction = (this.#transaction + 1) & 0xffff;
    while (this.#exchanges.has(this.#transaction));
    return this.#transaction;
  }

  #take({ transaction, unit, pdu, arrival_s }: MbapFrame): void {
    const exchange = this.#exchanges.get(transaction);
    if (exchange === undefined) {
      count(this.#counters, 'lateRepliesDiscarded');
      return;
    }
    if (unit !== exchange.unit || !isReply(exchange.request, pdu)) {
      // Right number, wrong answer: nothing is known about the value, and no other reply will come.
      count(this.#counters, 'repliesMismatched');
      exchange.settle({ kind: 'unanswered' });
      return;
    }
    if ((pdu[0]! & exceptionBit) !== 0) {
      exchange.settle({ kind: 'exception', code: pdu[1]! });
      return;
    }
    const { sent_s, request } = exchange;
    this.turnarounds.add(arrival_s - sent_s);
    exchange.settle({ kind: 'reply', data: payload(request, pdu), from_s: sent_s, to_s: arrival_s });
  }
}
