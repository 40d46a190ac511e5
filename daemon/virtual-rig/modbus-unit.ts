/**
 * Modbus RTU units on one bus: the slave side.
 *
 *   request   unit | function 01..04 | start u16 | count u16 | crc u16 (low byte first)       11 04 00 00 00 02 73 5B
 *   reply     unit | function | bytes u8 | data | crc        exception   unit | function + 80h | code | crc
 *
 * Frames are told apart by silence: 3.5 characters, 1.75 ms above 19 200 baud (Modbus over Serial Line V1.02, 2.5.1.1).
 * A damaged frame, another unit's and a broadcast are met with silence (same, 2.4.1). What a unit answers stands in
 * `modbus-device.ts`; behind Modbus TCP (`modbus-tcp.ts`) the same units answer.
 *
 * Registers of a unit are those of the rig file. The demo's, input registers at zero-based addresses:
 *
 *   unit 1   0 flow A, 2 flow B (m3/h), 4 tank pressure (bar), 6 tank level (m): float32, ABCD; 8 water temperature
 *            (int16, 0.1 degC); 9 status word: bit 0 run contact (1 = runs), bit 1 pressure switch (1 = tripped).
 *            The same two as discrete inputs 0 and 1
 *   unit 2   0, 1 speed of pump 1, 2 (int16, 1/min); 2, 3 disc position of leg A, B (uint16, 0.01 %)
 *
 * No clock inside: every call is told the time.
 */
import { crc16 } from '../../drivers/modbus/crc.ts';
import { type DeviceSpec, ModbusDevice } from './modbus-device.ts';
import type { Random } from './random.ts';
import type { ReadSource } from './register-map.ts';

export interface UnitSpec extends DeviceSpec {
  /** Slave address, 1 to 247. */
  readonly unit: number;
  /** End of request -> start of reply, besides the silence that ends the request, in s. */
  readonly turnaround_s: number;
}

/** Switchable misbehaviour of a unit. */
export interface UnitFaults {
  isDead: boolean;
  /** Share of requests that stay without a reply. */
  lost_ratio?: number;
  /** Share of replies that come late. */
  late_ratio: number;
  /** Late ones come up to so much later, evenly distributed, in s. */
  latest_s: number;
}

/** A reply and the earliest instant at which it may start on the wire. */
export interface Reply {
  readonly bytes: Uint8Array;
  readonly earliest_s: number;
}

/** Function code and what follows, and how long after the request it may start. */
export interface Answer {
  readonly pdu: Uint8Array;
  readonly after_s: number;
}

/** Longest frame with its CRC (Modbus over Serial Line V1.02, 2.5.1.2). */
const longest_bytes = 256;

/** Exception of a gateway whose unit does not answer (Modbus Application Protocol V1.1b3, 7). */
const noResponse = 0x0b;

interface Unit {
  readonly spec: UnitSpec;
  readonly device: ModbusDevice;
  readonly faults: UnitFaults;
  /** Its last reply comes at this instant at the earliest, in s. */
  owedUntil_s: number;
}

/** Silence between two frames, in s. */
export function frameGap_s(characterTime_s: number, baud: number): number {
  return baud <= 19_200 ? 3.5 * characterTime_s : 1.75e-3;
}

export class ModbusBus {
  readonly counters = {
    requestsReceived: 0,
    repliesSent: 0,
    exceptionsSent: 0,
    repliesDelayed: 0,
    /** Not sent, as if the line had been cut. */
    repliesWithheld: 0,
    /** Damaged, too short or too long. */
    framesRefused: 0,
    /** Requests that began less than the frame gap after the reply before them. */
    shortGaps: 0,
    /** Requests that began while a reply was still being sent: on two wires, both would be lost. */
    collisionsSeen: 0,
  };
  /** While it is, no unit answers. */
  isSilent = false;
  readonly #units = new Map<number, Unit>();
  /** Silence that ends a frame, in s. */
  readonly gap_s: number;
  readonly #random: Random;
  #frame: number[] = [];
  #lastReply: { start_s: number; end_s: number } | null = null;

  constructor(specs: readonly UnitSpec[], gap_s: number, readSource: ReadSource, random: Random) {
    this.gap_s = gap_s;
    this.#random = random;
    for (const spec of specs) {
      if (this.#units.has(spec.unit)) throw new RangeError(`unit ${spec.unit} is there twice`);
      const faults = { isDead: false, late_ratio: 0, latest_s: 0 };
      const device = new ModbusDevice(spec, readSource);
      this.#units.set(spec.unit, { spec, device, faults, owedUntil_s: Number.NEGATIVE_INFINITY });
    }
  }

  /** Switches misbehaviour of one unit; throws RangeError when it is not on this bus. */
  setFaults(unit: number, faults: Partial<UnitFaults>): void {
    const found = this.#units.get(unit);
    if (found === undefined) {
      throw new RangeError(`unit ${unit} is not on this bus; allowed: ${[...this.#units.keys()].join(', ')}`);
    }
    Object.assign(found.faults, faults);
  }

  /** Bytes of a request whose first began to arrive at `start_s`. The frame is whole after `gap_s` of silence. */
  receive(bytes: Uint8Array, start_s: number): void {
    if (this.#frame.length === 0 && bytes.length > 0 && this.#lastReply !== null) {
      const { start_s: replyStart_s, end_s } = this.#lastReply;
      if (start_s >= replyStart_s && start_s < end_s) this.counters.collisionsSeen++;
      else if (start_s >= end_s && start_s < end_s + this.gap_s) this.counters.shortGaps++;
    }
    for (const byte of bytes) if (this.#frame.length <= longest_bytes) this.#frame.push(byte);
  }

  /** The frame ended at `end_s` and silence followed. Null: nobody answers. */
  finish(end_s: number): Reply | null {
    const frame = Uint8Array.from(this.#frame);
    this.#frame = [];
    if (frame.length < 4 || frame.length > longest_bytes || crc16(frame) !== 0) {
      if (frame.length > 0) this.counters.framesRefused++;
      return null;
    }
    if (frame[0] === 0) for (const { device } of this.#units.values()) device.obey(frame.slice(1, -2));
    const answer = this.#ask(frame[0]!, frame.slice(1, -2));
    if (answer === null) return null;
    const bytes = withCrc(Uint8Array.of(frame[0]!, ...answer.pdu, 0, 0));
    // A unit does one thing after the other: what it is asked meanwhile is answered after what it owes.
    const unit = this.#units.get(frame[0]!)!;
    const next_s = unit.owedUntil_s + this.gap_s + unit.spec.turnaround_s;
    unit.owedUntil_s = Math.max(end_s + this.gap_s + answer.after_s, next_s);
    return { bytes, earliest_s: unit.owedUntil_s };
  }

  /** A request over TCP and its answer; a unit that is not there gets the exception of a gateway. Null: nobody answers. */
  answer(unit: number, pdu: Uint8Array): Answer | null {
    if (this.#units.has(unit)) return this.#ask(unit, pdu);
    if (unit === 0) return null;
    this.counters.exceptionsSent++;
    return { pdu: Uint8Array.of(pdu[0]! | 0x80, noResponse), after_s: 0 };
  }

  /** The line tells when a reply is really on it. */
  replied(start_s: number, end_s: number): void {
    this.#lastReply = { start_s, end_s };
  }

  #ask(address: number, pdu: Uint8Array): Answer | null {
    const unit = this.#units.get(address);
    if (unit === undefined || unit.faults.isDead) return null;
    this.counters.requestsReceived++;
    const { lost_ratio = 0 } = unit.faults;
    if (this.isSilent || (lost_ratio > 0 && this.#random.uniform() < lost_ratio)) {
      this.counters.repliesWithheld++;
      return null;
    }
    const reply = unit.device.answer(pdu);
    let after_s = unit.spec.turnaround_s;
    if (unit.faults.late_ratio > 0 && this.#random.uniform() < unit.faults.late_ratio) {
      after_s += this.#random.between(0, unit.faults.latest_s);
      this.counters.repliesDelayed++;
    }
    if ((reply[0]! & 0x80) !== 0) this.counters.exceptionsSent++;
    this.counters.repliesSent++;
    return { pdu: reply, after_s };
  }
}

/** Puts the CRC into the last two bytes. */
function withCrc(frame: Uint8Array): Uint8Array {
  const crc = crc16(frame, 0, frame.length - 2);
  frame[frame.length - 2] = crc & 0xff;
  frame[frame.length - 1] = crc >> 8;
  return frame;
}
