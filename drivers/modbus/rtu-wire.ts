/** Modbus RTU over a serial port or TCP: one request in flight; replies are matched by form and order. Why that is safe: `unanswered.ts`. */
import { type Counters, count } from '../driver.ts';
import type { EchoMode } from '../line-spec.ts';
import { EchoFilter } from './echo-filter.ts';
import type { PreciseClock } from './precise-wait.ts';
import { around, broadcast, broadcastPause_s, exceptionBit, serialFrame } from './protocol.ts';
import { longestReply, payload, type Request } from './requests.ts';
import { type Frame, RtuFramer } from './rtu-framer.ts';
import { Turnarounds } from './turnarounds.ts';
import type { Asked } from './unanswered.ts';
import type { UnitHealth } from './unit-health.ts';
import type { Outcome, Wire, WireLine } from './wire.ts';

interface Exchange {
  readonly unit: UnitHealth;
  readonly asked: Asked;
  readonly written_s: number;
  /** The request cannot have been on the wire whole before this instant. */
  readonly leastEnd_s: number;
  readonly settle: (outcome: Outcome) => void;
}

export class RtuWire implements Wire {
  readonly turnarounds = new Turnarounds();
  readonly most = 1;
  readonly #line: WireLine;
  readonly #silence_s: number;
  readonly #clock: PreciseClock;
  readonly #counters: Counters;
  readonly #unitOf: (address: number) => UnitHealth | undefined;
  readonly #framer: RtuFramer;
  readonly #echo: EchoFilter | null;
  #exchange: Exchange | null = null;
  #busyUntil_s = Number.NEGATIVE_INFINITY;

  /** `silence_s`: least silence before a request. */
  constructor(
    line: WireLine,
    silence_s: number,
    echo: EchoMode,
    clock: PreciseClock,
    counters: Counters,
    unitOf: (address: number) => UnitHealth | undefined,
  ) {
    this.#line = line;
    this.#silence_s = silence_s;
    this.#clock = clock;
    this.#counters = counters;
    this.#unitOf = unitOf;
    this.#framer = new RtuFramer(
      {
        awaited: (unit) => unitOf(unit)?.unanswered.requests ?? [],
        frame: (frame) => this.#take(frame),
        crcFailed: () => count(this.#counters, 'crcErrorsSeen'),
        discarded: (bytes) => count(this.#counters, 'bytesDiscarded', bytes),
      },
      line.characterTime_s,
    );
    this.#echo =
      echo === 'none'
        ? null
        : new EchoFilter(
            (bytes, time_s) => this.#framer.push(bytes, time_s),
            () => this.#missEcho(echo === 'verify'),
          );
  }

  get busyUntil_s(): number {
    return this.#busyUntil_s;
  }

  freeFrom_s(gap_s: number): number {
    return this.#busyUntil_s + Math.max(this.#silence_s, gap_s);
  }

  readPending(): void {
    this.#line.readPending();
  }

  async ask(unit: UnitHealth, request: Request, isProbe: boolean): Promise<Outcome> {
    const written_s = this.#clock.now_s();
    const frame = serialFrame(unit.unit, request.pdu);
    this.#echo?.sent(frame);
    const leastEnd_s = written_s + frame.length * this.#line.characterTime_s;
    const end_s = this.#line.write(frame) ?? written_s;
    this.#busyUntil_s = Math.max(this.#busyUntil_s, end_s);
    const asked = { request, isProbe, sent_s: end_s };
    unit.unanswered.ask(asked);
    const replyTime_s = (longestReply(request) + around) * this.#line.characterTime_s;
    const outcome = await new Promise<Outcome>((resolve) => {
      const cancel = this.#clock.at(end_s + unit.timeout_s + replyTime_s, () => this.#expire());
      const settle = (how: Outcome): void => {
        cancel();
        this.#exchange = null;
        resolve(how);
      };
      this.#exchange = { unit, asked, written_s, leastEnd_s, settle };
    });
    if (outcome.kind === 'abandoned') {
      unit.unanswered.doubt();
    } else if (outcome.kind === 'unanswered') {
      // Quarantine: the reply may just have begun, and must not meet the next request on the wire.
      this.#busyUntil_s = Math.max(this.#busyUntil_s, this.#clock.now_s() + replyTime_s);
    }
    return outcome;
  }

  broadcast(request: Request): number | null {
    const frame = serialFrame(broadcast, request.pdu);
    this.#echo?.sent(frame);
    const end_s = this.#line.write(frame);
    if (end_s === null) return null;
    this.#busyUntil_s = Math.max(this.#busyUntil_s, end_s + broadcastPause_s);
    return this.#busyUntil_s;
  }

  receive(chunk: Uint8Array, time_s: number): void {
    this.#busyUntil_s = Math.max(this.#busyUntil_s, time_s);
    if (this.#echo === null) this.#framer.push(chunk, time_s);
    else this.#echo.push(chunk, time_s);
  }

  abandon(): void {
    this.#exchange?.settle({ kind: 'abandoned' });
    this.#framer.clear();
  }

  /** The time is over; but first what the kernel or the framer still holds is looked at: this thread may be the late one. */
  #expire(): void {
    this.#line.readPending();
    this.#framer.finish();
    this.#exchange?.settle({ kind: 'unanswered' });
  }

  /** Something else than our own request came back: where it is compared, two talked at once and the answer is not waited for. */
  #missEcho(isVerified: boolean): void {
    count(this.#counters, 'echoesMismatched');
    if (isVerified) this.#exchange?.settle({ kind: 'unanswered' });
  }

  #take(frame: Frame): void {
    const unit = this.#unitOf(frame.unit)!;
    const answered = unit.unanswered.answer(frame.pdu);
    const exchange = this.#exchange;
    if (exchange === null || answered !== exchange.asked) {
      count(this.#counters, 'lateRepliesDiscarded');
      // An earlier probe's late reply may be all the proof that is needed.
      if (exchange?.unit === unit && exchange.asked.isProbe && unit.unanswered.isConfirmed) {
        exchange.settle({ kind: 'proven' });
      }
      return;
    }
    if ((frame.pdu[0]! & exceptionBit) !== 0) exchange.settle({ kind: 'exception', code: frame.pdu[1]! });
    else exchange.settle(this.#reply(exchange, frame));
  }

  /** The unit acted somewhere between the end of the request and the first byte of the reply. */
  #reply({ asked, written_s, leastEnd_s }: Exchange, frame: Frame): Outcome {
    const { request } = asked;
    // The end that the write names will not do: this process may have been held up between the write and its look at the clock.
    // A wire faster than configured (a pseudo-terminal) answers before the computed end: then only the write is sure.
    const isPaced = frame.start_s >= leastEnd_s;
    const from_s = isPaced ? leastEnd_s : written_s;
    const to_s = isPaced ? frame.start_s : frame.arrival_s;
    if (!asked.isProbe) this.turnarounds.add(to_s - from_s);
    return { kind: 'reply', data: payload(request, frame.pdu), from_s, to_s };
  }
}
