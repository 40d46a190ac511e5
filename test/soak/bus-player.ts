/** Plays the units of a Modbus line, each reply with its fate noted. */
import { frameGap_s, ModbusBus, type Reply } from '../../daemon/virtual-rig/modbus-unit.ts';
import { PacedLine } from '../../daemon/virtual-rig/paced-line.ts';
import type { Port } from '../../daemon/virtual-rig/port.ts';
import { runAt } from '../../daemon/virtual-rig/precise-wait.ts';
import { Random } from '../../daemon/virtual-rig/random.ts';
import { systemClock } from '../../drivers/clock.ts';
import { monotonic_s } from '../../drivers/driver.ts';
import { crc16 } from '../../drivers/modbus/crc.ts';
import { type BusLine, busBaud } from './lines.ts';
import { blockAddresses, blockKey, blockRegisters, registers, registerValue } from './values.ts';

/** What became of a reply to a poll. */
export const replyFate = { whole: 1, damaged: 2, overrun: 3, unplugged: 4 } as const;

/** One reply to a poll of a whole block. Replies to probes carry nothing that is kept. */
export interface PlayedReply {
  readonly key: string;
  readonly tick: number;
  /** Held back by the unit, in s. */
  readonly delay_s: number;
  /** When its last byte was handed to the port, monotonic in s; absent: never. */
  sent_s?: number;
  fate: number;
}

/** Address of a request that reads a whole block, or null. */
function polledAddress(request: Uint8Array): number | null {
  if (request.length !== 8 || request[1] !== 4) return null;
  if (((request[4]! << 8) | request[5]!) !== blockRegisters) return null;
  return (request[2]! << 8) | request[3]!;
}

const turnaround_s = 1e-3;

export class BusPlayer {
  readonly line: BusLine;
  readonly port: Port;
  readonly wire: PacedLine;
  readonly bus: ModbusBus;
  readonly replies: PlayedReply[] = [];
  /** Instants of all requests that came whole, probes too, in s. */
  readonly heard_s: number[] = [];
  #tick = 0;
  #pending = 0;
  #request: number[] = [];
  #stream = new Uint8Array(0);
  #sending: { readonly note: PlayedReply | null; left_bytes: number; isDamaged: boolean; isCut: boolean }[] =
    [];
  #turned = 0;
  #isStopped = false;

  constructor(line: BusLine, port: Port, seed: number) {
    this.line = line;
    this.port = port;
    const random = new Random(seed, line.id);
    this.wire = new PacedLine({ baud: busBaud, characterBits: 11 }, random);
    const gap_s = line.framing === 'mbap' ? 0 : frameGap_s(this.wire.characterTime_s, busBaud);
    const units = line.units.map((unit) => ({
      unit,
      turnaround_s,
      maxRegisters: 125,
      registers: blockAddresses.flatMap((first) =>
        registers.map(({ name, offset, type }) => ({
          table: 'input' as const,
          address: first + offset,
          type,
          wordOrder: 'ABCD' as const,
          sources: [`${name} ${blockKey(line.id, unit, first)}`],
          scale: 1,
          offset: 0,
        })),
      ),
    }));
    const read = (source: string) => {
      const [name, key] = source.split(' ');
      return registerValue(name!, key!, this.#tick);
    };
    this.bus = new ModbusBus(units, gap_s, read, random);
    port.onData = (bytes) => {
      if (line.framing === 'mbap') this.#hearTcp(bytes);
      else this.#hearRtu(bytes);
    };
  }

  stop(): void {
    this.#isStopped = true;
  }

  unplug(): void {
    for (const { note } of this.#sending) if (note !== null) note.fate = replyFate.unplugged;
    this.#sending = [];
    this.wire.clear();
    this.#stream = new Uint8Array(0);
    this.port.unplug();
  }

  #hearRtu(bytes: Uint8Array): void {
    const start_s = monotonic_s();
    const arrived = this.wire.receive(bytes, start_s);
    this.#turned = this.wire.bitsTurned;
    this.bus.receive(arrived, start_s);
    this.#request.push(...arrived);
    const end_s = this.wire.received_s;
    this.#pending++;
    runAt(systemClock, end_s + this.bus.gap_s, () => {
      this.#pending--;
      if (this.#pending > 0 || this.#isStopped) return;
      const request = Uint8Array.from(this.#request);
      this.#request = [];
      const reply = this.#finish(end_s);
      if (reply === null) return;
      const note = this.#note(request, reply, end_s);
      runAt(systemClock, reply.earliest_s, () => this.#sendRtu(reply, note));
    });
  }

  #sendRtu({ bytes, earliest_s }: Reply, note: PlayedReply | null): void {
    if (this.#isStopped) return;
    if (!this.port.isPlugged) {
      if (note !== null) note.fate = replyFate.unplugged;
      return;
    }
    const start_s = Math.max(earliest_s, this.wire.sent_s);
    this.bus.replied(start_s, this.wire.send(bytes, earliest_s));
    this.#sending.push({ note, left_bytes: bytes.length, isDamaged: false, isCut: false });
    this.#release();
  }

  #release(): void {
    if (this.#isStopped) return;
    this.wire.take(monotonic_s(), (part) => {
      const [first] = this.#sending;
      if (first === undefined) throw new Error('bytes of no reply');
      if (this.wire.bitsTurned !== this.#turned) first.isDamaged = true;
      this.#turned = this.wire.bitsTurned;
      if (this.port.write(part) < part.length) first.isCut = true;
      first.left_bytes -= part.length;
      if (first.left_bytes > 0) return;
      this.#sending.shift();
      if (first.note === null) return;
      first.note.sent_s = monotonic_s();
      first.note.fate = first.isCut
        ? replyFate.overrun
        : first.isDamaged
          ? replyFate.damaged
          : replyFate.whole;
    });
    const { nextEnd_s } = this.wire;
    if (nextEnd_s !== null) runAt(systemClock, nextEnd_s, () => this.#release());
  }

  /** Header: transaction u16 | protocol 0 u16 | length u16 | unit u8, then the request without a CRC. */
  #hearTcp(bytes: Uint8Array): void {
    let stream = Buffer.concat([this.#stream, bytes]);
    while (stream.length >= 7 && stream.length >= 6 + stream.readUInt16BE(4)) {
      const end = 6 + stream.readUInt16BE(4);
      const head = Uint8Array.from(stream.subarray(0, 4));
      this.#answerTcp(head, Uint8Array.from(stream.subarray(6, end)));
      stream = stream.subarray(end);
    }
    this.#stream = Uint8Array.from(stream);
  }

  #answerTcp(head: Uint8Array, asked: Uint8Array): void {
    const now_s = monotonic_s();
    const request = withCrc(asked);
    this.bus.receive(request, now_s);
    const reply = this.#finish(now_s);
    if (reply === null) return;
    const note = this.#note(request, reply, now_s);
    const body = reply.bytes.subarray(0, reply.bytes.length - 2);
    const bytes = Uint8Array.of(...head, body.length >> 8, body.length & 0xff, ...body);
    runAt(systemClock, reply.earliest_s, () => {
      if (this.#isStopped) return;
      const isSent = this.port.isPlugged && this.port.write(bytes) === bytes.length;
      if (note === null) return;
      note.sent_s = monotonic_s();
      note.fate = isSent ? replyFate.whole : replyFate.unplugged;
    });
  }

  #finish(end_s: number): Reply | null {
    this.heard_s.push(end_s);
    this.#tick = Math.floor(monotonic_s() * 1000) >>> 0;
    return this.bus.finish(end_s);
  }

  /** Null for a reply that carries no values of a poll. */
  #note(request: Uint8Array, { bytes, earliest_s }: Reply, end_s: number): PlayedReply | null {
    const address = polledAddress(request);
    if (address === null || bytes[1] !== 4) return null;
    const delay_s = earliest_s - end_s - this.bus.gap_s - turnaround_s;
    const note = {
      key: blockKey(this.line.id, bytes[0]!, address),
      tick: this.#tick,
      delay_s,
      fate: replyFate.unplugged as number,
    };
    this.replies.push(note);
    return note;
  }
}

function withCrc(body: Uint8Array): Uint8Array {
  const crc = crc16(body);
  return Uint8Array.of(...body, crc & 0xff, crc >> 8);
}
