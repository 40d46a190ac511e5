/**
 * Writes to devices. Refused before it touches the wire: anything for a device that is not marked writable, and anything that
 * could not be put on record first. Nothing is ever written by itself, and no write is repeated by itself: a write without an
 * answer may have been carried out.
 */
import type { Counters } from '../driver.ts';
import type { ModbusUnitSpec } from '../line-spec.ts';
import type { Poller } from './poller.ts';
import { broadcast, exceptionName } from './protocol.ts';
import { isWrite, type Request } from './requests.ts';
import type { UnitHealth } from './unit-health.ts';
import type { Outcome } from './wire.ts';

export interface WriteOrder {
  /** Id of a device; `broadcast`: all of the line, none of which answers. */
  readonly device: string;
  /** Function 05, 06, 15, 16, 22 or 23. */
  readonly request: Request;
  /** Who or what asks, in words. */
  readonly by: string;
}

/** What became of a write. */
export type WriteAnswer =
  | { readonly kind: 'done' /** Registers that function 23 read; else empty. */; readonly data: Uint8Array }
  /** Never touched the wire. */
  | { readonly kind: 'refused'; readonly why: string }
  /** The device said no. */
  | { readonly kind: 'exception'; readonly code: number; readonly name: string }
  /** On the wire, no answer: whether it was carried out is not known. */
  | { readonly kind: 'unknown'; readonly why: string }
  /** A broadcast is on its way; nobody answers one. */
  | { readonly kind: 'sent' };

/** Where writes are put on record. */
export interface WriteAudit {
  /** Resolves with a number of the record when it is safe on disk; before that nothing is sent. */
  asked(order: WriteOrder, unit: number): Promise<number>;
  /** Adds what became of it. */
  answered(record: number, answer: WriteAnswer): Promise<void>;
}

/** Device name that stands for all devices of a line. */
const everyDevice = 'broadcast';

export class Writer {
  readonly #specs: readonly ModbusUnitSpec[];
  readonly #units: readonly UnitHealth[];
  readonly #poller: Poller;
  readonly #counters: Counters;

  constructor(
    specs: readonly ModbusUnitSpec[],
    units: readonly UnitHealth[],
    poller: Poller,
    counters: Counters,
  ) {
    this.#specs = specs;
    this.#units = units;
    this.#poller = poller;
    this.#counters = counters;
    for (const name of ['writesAccepted', 'writesRefused', 'writesFailed']) counters[name] ??= 0;
  }

  /** Never rejects, except when the record cannot be completed afterwards: then with what the audit threw. */
  async write(order: WriteOrder, audit: WriteAudit): Promise<WriteAnswer> {
    const target = this.#target(order);
    const unit = typeof target === 'string' ? -1 : (target?.unit ?? broadcast);
    let record: number;
    try {
      record = await audit.asked(order, unit);
    } catch (error) {
      return this.#count({ kind: 'refused', why: `no record could be kept: ${(error as Error).message}` });
    }
    const answer = typeof target === 'string' ? refused(target) : await this.#send(target, order.request);
    this.#count(answer);
    await audit.answered(record, answer);
    return answer;
  }

  /** The unit to write to, null for all of them, or why not. */
  #target({ device, request }: WriteOrder): UnitHealth | null | string {
    if (!isWrite(request)) return `function ${request.functionCode} does not write`;
    if (device === everyDevice) {
      const locked = this.#units.find(({ isWritable }) => !isWritable);
      if (locked !== undefined) return `a broadcast reaches ${locked.id}, which is not marked writable`;
      if (request.functionCode === 23) return 'function 23 reads as well and cannot be broadcast';
      return null;
    }
    const spec = this.#specs.find(({ id }) => id === device);
    if (spec === undefined) return `there is no device "${device}" on this line`;
    const unit = this.#units.find((one) => one.unit === spec.unit)!;
    return unit.isWritable ? unit : `${device} is not marked writable`;
  }

  async #send(unit: UnitHealth | null, request: Request): Promise<WriteAnswer> {
    const waiting = this.#poller.order(unit, request);
    if (waiting === null) return refused('too many writes wait already');
    const answer = answerOf(await waiting);
    return unit === null && answer.kind === 'done' ? { kind: 'sent' } : answer;
  }

  #count(answer: WriteAnswer): WriteAnswer {
    const isDone = answer.kind === 'done' || answer.kind === 'sent';
    this.#counters[
      isDone ? 'writesAccepted' : answer.kind === 'refused' ? 'writesRefused' : 'writesFailed'
    ]! += 1;
    return answer;
  }
}

function refused(why: string): WriteAnswer {
  return { kind: 'refused', why };
}

function answerOf(outcome: Outcome): WriteAnswer {
  switch (outcome.kind) {
    case 'reply':
      return { kind: 'done', data: outcome.data };
    case 'exception':
      return { kind: 'exception', code: outcome.code, name: exceptionName(outcome.code) };
    case 'unsent':
      return refused(outcome.why);
    case 'abandoned':
      return { kind: 'unknown', why: 'the line was lost before an answer came' };
    default:
      return { kind: 'unknown', why: 'no answer in time' };
  }
}
