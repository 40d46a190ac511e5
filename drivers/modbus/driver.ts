/**
 * Driver of a line of Modbus RTU units, one scan a poll. One group a poll block, but a group of its own for each float
 * that shares its block: only floats can say "no value", and quality is told per scan.
 */
import type { Counters, Driver, DriverSink, GroupSpec, LinkState } from '../driver.ts';
import { monotonic_s, quality } from '../driver.ts';
import type { ModbusChannelSpec, ModbusLineSpec } from '../line-spec.ts';
import { Link } from '../link.ts';
import { decode } from './decode.ts';
import type { PollBlock } from './poll-plan.ts';
import { realClock, sharpenTimers } from './precise-wait.ts';
import { silence_s } from './protocol.ts';
import { RtuMaster } from './rtu-master.ts';

/** Silence of all units after which a TCP connection is opened anew, in s: the far end may have forgotten it. */
const defaultStaleConnection_s = 30;

/** Channels of one poll block that are good or bad together. */
interface BlockPart {
  readonly id: string;
  readonly channels: readonly ModbusChannelSpec[];
}

function partsOf({ id, channels }: PollBlock): BlockPart[] {
  const isFloat = ({ type }: ModbusChannelSpec) => type === 'float32' || type === 'float64';
  if (channels.length === 1) return [{ id, channels }];
  const whole = channels.filter((channel) => !isFloat(channel));
  const floats = channels
    .filter(isFloat)
    .map((channel) => ({ id: `${id}:${channel.id}`, channels: [channel] }));
  return whole.length > 0 ? [{ id, channels: whole }, ...floats] : floats;
}

export class ModbusDriver implements Driver {
  readonly groups: readonly GroupSpec[];
  readonly #spec: ModbusLineSpec;
  readonly #staleConnection_s: number;
  readonly #counters: Counters = { valuesRejected: 0 };
  readonly #link: Link;
  readonly #master: RtuMaster;
  /** Parts of each poll block and the group of its first one; the others follow. */
  readonly #parts: readonly { readonly firstGroup: number; readonly parts: readonly BlockPart[] }[];
  /** Slot of the latest reply to each poll block; -1 before the first. */
  readonly #lastSlot: number[];
  #sink: DriverSink | null = null;
  #stale: NodeJS.Timeout | null = null;
  /** Set by the first `stop`; further calls wait for it. */
  #stopping: Promise<void> | null = null;

  /** Throws RangeError when the channels cannot be read as configured. */
  constructor(spec: ModbusLineSpec, staleConnection_s = defaultStaleConnection_s) {
    this.#spec = spec;
    this.#staleConnection_s = staleConnection_s;
    this.#link = new Link(spec.link, this.#counters, {
      data: (chunk, time_s) => this.#master.receive(chunk, time_s),
      state: (state) => this.#changeState(state),
    });
    const baud = spec.link.kind === 'serial' ? spec.link.baud : null;
    this.#master = new RtuMaster(
      spec.units,
      this.#link,
      silence_s(baud, this.#link.characterTime_s),
      realClock,
      this.#counters,
      {
        reply: (block, slot, time_s, halfWidth_s, data) =>
          this.#deliver(block, slot, time_s, halfWidth_s, data),
        answering: (isAnswering) => this.#tellAnswering(isAnswering),
      },
    );
    const groups: GroupSpec[] = [];
    this.#parts = this.#master.blocks.map(({ unit, block }) => {
      const parts = partsOf(block);
      const firstGroup = groups.length;
      for (const { id, channels } of parts) {
        groups.push({
          id,
          channels: channels.map((channel) => channel.id),
          encoding: 'f64',
          nominalInterval_s: unit.spec.poll_s,
        });
      }
      return { firstGroup, parts };
    });
    this.groups = groups;
    this.#lastSlot = this.#parts.map(() => -1);
  }

  get counters(): Readonly<Counters> {
    return this.#counters;
  }

  /** Turnaround (end of request to first byte of reply) that `share` of the latest exchanges did not exceed, in s. */
  turnaround_s(share: number): number | null {
    return this.#master.turnarounds.quantile_s(share);
  }

  start(sink: DriverSink): void {
    if (this.#sink !== null) {
      throw new Error(`line ${this.#spec.id}: a driver starts once`);
    }
    this.#sink = sink;
    sharpenTimers();
    this.#link.open();
    this.#master.start();
  }

  async stop(): Promise<void> {
    if (this.#sink === null) return;
    this.#stopping ??= this.#release();
    await this.#stopping;
  }

  async #release(): Promise<void> {
    this.#watchSilence(false);
    await this.#master.stop();
    await this.#link.close();
  }

  #changeState(state: LinkState): void {
    this.#watchSilence(false);
    if (state.state === 'open') this.#master.lineOpened();
    else this.#master.lineLost();
    this.#sink?.state(state);
  }

  #tellAnswering(isAnswering: boolean): void {
    if (!this.#link.isOpen) return;
    this.#watchSilence(!isAnswering);
    const why = 'The line is open but no unit answers: check power, wiring, baud rate and unit addresses.';
    this.#sink?.state(
      isAnswering
        ? { state: 'open', since_s: monotonic_s(), why: '' }
        : { state: 'silent', since_s: monotonic_s(), why },
    );
  }

  #watchSilence(isSilent: boolean): void {
    if (this.#stale !== null) clearTimeout(this.#stale);
    this.#stale = null;
    if (!isSilent || this.#link.spec.kind !== 'tcp') return;
    const why = `no unit answered for ${this.#staleConnection_s} s`;
    this.#stale = setTimeout(() => this.#link.reopen(why), this.#staleConnection_s * 1000);
  }

  #deliver(block: number, slot: number, time_s: number, halfWidth_s: number, data: Uint8Array): void {
    const { address } = this.#master.blocks[block]!.block;
    const { firstGroup, parts } = this.#parts[block]!;
    const lostBefore = slot - this.#lastSlot[block]! - 1;
    this.#lastSlot[block] = slot;
    parts.forEach(({ channels }, part) => {
      const raw = new Float64Array(channels.length);
      let bits = 0;
      for (let i = 0; i < raw.length; i++) {
        const value = decode(channels[i]!, address, data);
        if (Number.isFinite(value)) raw[i] = value;
        else {
          // A device says "no value" with NaN; no NaN goes any further.
          bits |= quality.invalid;
          this.#counters['valuesRejected']! += 1;
        }
      }
      const group = firstGroup + part;
      this.#sink?.block({
        group,
        scan: slot,
        scans: 1,
        time_s,
        interval_s: this.groups[group]!.nominalInterval_s,
        halfWidth_s,
        raw,
        quality: Uint8Array.of(bits),
        lostBefore,
      });
    });
  }
}

/** A driver that polls the units of `spec`; nothing is opened before `start`. */
export function createModbusDriver(spec: ModbusLineSpec): Driver {
  return new ModbusDriver(spec);
}
