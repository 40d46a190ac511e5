/**
 * Driver of a line of Modbus units: RTU on a serial line, the same bytes over TCP, or Modbus TCP. One group for each stretch
 * of registers side by side, one scan a poll; one more for each burst. Writes only by `write`, for devices that allow it.
 */

import type { Clock, ClockTimer } from '../clock.ts';
import type {
  Counters,
  Driver,
  DriverSink,
  GroupSpec,
  LinkState,
  RawBlock,
  Readings,
  SilentDevice,
} from '../driver.ts';
import { count, quality } from '../driver.ts';
import type { ModbusLineSpec, RegisterSpan } from '../line-spec.ts';
import { Link, staleConnection_s } from '../link.ts';
import { type Machine, thisMachine } from '../transport.ts';
import { decode } from './decode.ts';
import type { BlockPart } from './poll-plan.ts';
import { Poller } from './poller.ts';
import { type PreciseClock, preciseOn, sharpenTimers } from './precise-wait.ts';
import { silence_s } from './protocol.ts';
import { RtuWire } from './rtu-wire.ts';
import { TcpWire } from './tcp-wire.ts';
import { partsIn, type UnitHealth, unitsOf } from './unit-health.ts';
import type { Wire } from './wire.ts';
import { type WriteAnswer, type WriteAudit, type WriteOrder, Writer } from './writer.ts';

export class ModbusDriver implements Driver {
  readonly groups: readonly GroupSpec[];
  readonly #spec: ModbusLineSpec;
  readonly #stale_s: number;
  readonly #clock: Clock;
  readonly #precise: PreciseClock;
  readonly #counters: Counters = { valuesRejected: 0 };
  readonly #link: Link;
  readonly #wire: Wire;
  readonly #units: readonly UnitHealth[];
  readonly #poller: Poller;
  readonly #writer: Writer;
  readonly #groupOf = new Map<BlockPart, number>();
  /** Scan of the latest reply to each group; -1 before the first. */
  readonly #lastScan: number[];
  #sink: DriverSink | null = null;
  /** Since when no unit answers, whatever became of the line meanwhile; null while one does. */
  #silentSince_s: number | null = null;
  /** Opens a TCP connection anew on which nobody answers. */
  #renewal: ClockTimer | null = null;
  /** Set by the first `stop`; further calls wait for it. */
  #stopping: Promise<void> | null = null;

  /** `stale_s`: see `link.ts`. Throws RangeError when the channels cannot be read as configured. */
  constructor(spec: ModbusLineSpec, stale_s = staleConnection_s, machine: Machine = thisMachine) {
    this.#clock = machine.clock;
    this.#precise = preciseOn(machine.clock);
    this.#spec = spec;
    this.#stale_s = stale_s;
    const events = {
      data: (chunk: Uint8Array, time_s: number) => this.#wire.receive(chunk, time_s),
      state: (state: LinkState) => this.#changeState(state),
    };
    this.#link = new Link(spec.link, this.#counters, events, { machine });
    const isTcp = spec.transport === 'tcp';
    this.#units = unitsOf(spec.units, !isTcp);
    this.#wire = isTcp ? this.#makeTcp() : this.#makeRtu();
    this.#poller = new Poller(this.#units, this.#link, this.#wire, this.#precise, this.#counters, {
      reply: (block, read, slot, time_s, halfWidth_s, data) =>
        this.#deliver(block, read, slot, time_s, halfWidth_s, data),
      answering: (isAnswering) => this.#tellAnswering(isAnswering),
    });
    this.#writer = new Writer(spec.units, this.#units, this.#poller, this.#counters);
    const groups: GroupSpec[] = [];
    for (const { spec: unit, parts } of this.#poller.blocks) {
      for (const part of parts) {
        this.#groupOf.set(part, groups.length);
        groups.push({
          id: part.id,
          channels: part.channels.map(({ id }) => id),
          encoding: 'f64',
          nominalInterval_s: unit.poll_s,
        });
      }
    }
    this.#lastScan = groups.map(() => -1);
    for (const reader of this.#units.flatMap(({ bursts }) => bursts)) {
      const group = groups.length;
      groups.push({
        id: `${reader.spec.id}:burst`,
        channels: reader.burst.channels.map(({ id }) => id),
        encoding: 'i32',
        nominalInterval_s: 1 / reader.burst.rate_Hz,
      });
      reader.emit = (block: RawBlock) => this.#sink?.block({ ...block, group });
    }
    this.groups = groups;
  }

  get counters(): Readonly<Counters> {
    const all: Counters = { ...this.#counters };
    for (const { counters } of this.#units.flatMap(({ bursts }) => bursts)) {
      for (const [name, counted] of Object.entries(counters)) count(all, name, counted);
    }
    return all;
  }

  /** Of bursts: drift of the device's clock and half-width of the scan times. */
  get readings(): Readonly<Readings> {
    return Object.assign({}, ...this.#units.flatMap(({ bursts }) => bursts.map(({ readings }) => readings)));
  }

  get silentDevices(): readonly SilentDevice[] {
    return this.#units.flatMap(({ id, silence }) => (silence === null ? [] : [{ id, ...silence }]));
  }

  /** Turnaround (end of request to first byte of reply) that `share` of the latest exchanges did not exceed, in s. */
  turnaround_s(share: number): number | null {
    return this.#wire.turnarounds.quantile_s(share);
  }

  start(sink: DriverSink): void {
    if (this.#sink !== null) {
      throw new Error(`line ${this.#spec.id}: a driver starts once`);
    }
    this.#sink = sink;
    if (!this.#clock.isExact) sharpenTimers();
    this.#link.open();
    this.#poller.start();
  }

  async stop(): Promise<void> {
    if (this.#sink === null) return;
    this.#stopping ??= this.#release();
    await this.#stopping;
  }

  /** Writes to one device, or to all (`broadcast`). A refusal is an answer; rejects only as `Writer.write` does. */
  write(order: WriteOrder, audit: WriteAudit): Promise<WriteAnswer> {
    return this.#writer.write(order, audit);
  }

  async #release(): Promise<void> {
    this.#stopRenewal();
    await this.#poller.stop();
    await this.#link.close();
  }

  #makeTcp(): Wire {
    const broken = (why: string): void => {
      count(this.#counters, 'streamsRejected');
      this.#link.reopen(why);
    };
    return new TcpWire(this.#link, this.#spec.outstanding ?? 1, this.#precise, this.#counters, broken);
  }

  #makeRtu(): Wire {
    const { link, echo } = this.#spec;
    const baud = link.kind === 'serial' ? link.baud : null;
    const least_s = silence_s(baud, this.#link.characterTime_s);
    const byAddress = new Map(this.#units.map((unit) => [unit.unit, unit]));
    return new RtuWire(this.#link, least_s, echo ?? 'none', this.#precise, this.#counters, (address) =>
      byAddress.get(address),
    );
  }

  #changeState(state: LinkState): void {
    this.#stopRenewal();
    if (state.state === 'open') {
      this.#poller.lineOpened();
      if (!this.#poller.isAnswering) {
        this.#saySilent();
        return;
      }
    } else {
      this.#poller.lineLost();
    }
    this.#sink?.state(state);
  }

  #tellAnswering(isAnswering: boolean): void {
    if (!this.#link.isOpen) return;
    this.#stopRenewal();
    if (!isAnswering) {
      this.#saySilent();
      return;
    }
    this.#silentSince_s = null;
    this.#sink?.state({ state: 'open', since_s: this.#clock.monotonic_s(), why: '' });
  }

  #saySilent(): void {
    const now_s = this.#clock.monotonic_s();
    this.#silentSince_s ??= now_s;
    const isTcp = this.#link.spec.kind === 'tcp';
    if (isTcp) {
      const why = `no unit answered for ${this.#stale_s} s`;
      this.#renewal = this.#clock.setTimeout(() => this.#link.reopen(why), this.#stale_s * 1000);
    }
    this.#sink?.state({
      state: 'silent',
      since_s: this.#silentSince_s,
      why: 'The line is open but no unit answers: check power, wiring, baud rate and unit addresses.',
      ...(isTcp ? { nextTry_s: now_s + this.#stale_s } : {}),
    });
  }

  #stopRenewal(): void {
    this.#clock.clear(this.#renewal);
    this.#renewal = null;
  }

  #deliver(
    block: number,
    read: RegisterSpan,
    slot: number,
    time_s: number,
    halfWidth_s: number,
    data: Uint8Array,
  ): void {
    const scan = slot - this.#poller.slotsLate(block);
    for (const part of partsIn(this.#poller.blocks[block]!, read)) {
      const { channels } = part;
      const group = this.#groupOf.get(part)!;
      const lostBefore = scan - this.#lastScan[group]! - 1;
      this.#lastScan[group] = scan;
      const raw = new Float64Array(channels.length);
      let bits = 0;
      for (let i = 0; i < raw.length; i++) {
        const value = decode(channels[i]!, read.address, data);
        if (Number.isFinite(value)) raw[i] = value;
        else {
          // A device says "no value" with NaN; no NaN goes any further.
          bits |= quality.invalid;
          this.#counters['valuesRejected']! += 1;
        }
      }
      this.#sink?.block({
        group,
        scan,
        scans: 1,
        time_s,
        interval_s: this.groups[group]!.nominalInterval_s,
        halfWidth_s,
        raw,
        quality: Uint8Array.of(bits),
        lostBefore,
      });
    }
  }
}

/** A driver that polls the units of `spec`; nothing is opened before `start`. */
export function createModbusDriver(spec: ModbusLineSpec, machine?: Machine): Driver {
  return new ModbusDriver(spec, staleConnection_s, machine);
}
