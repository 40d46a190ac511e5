/** The slave side of Modbus as the virtual rig plays it: frames with CRC, on a serial line or through TCP, and Modbus TCP. */
import { ModbusTcpFace } from '../../daemon/virtual-rig/modbus-tcp.ts';
import { ModbusBus, type UnitSpec } from '../../daemon/virtual-rig/modbus-unit.ts';
import { Random as RigRandom } from '../../daemon/virtual-rig/random.ts';
import type { RegisterSpec } from '../../daemon/virtual-rig/register-map.ts';
import { crc16Bitwise, withCrc } from './modbus.ts';
import { inPieces, mutate, Random } from './random.ts';
import { fixedBits, fixedWords, memory, SlaveModel } from './slave-model.ts';
import type { FuzzCounts, FuzzTarget } from './target.ts';

const units = [1, 17] as const;
/** Longest frame with CRC (Modbus over Serial Line V1.02, 2.5.1.2). */
const longestFrame_bytes = 256;
const gap_s = 1.75e-3;
const turnaround_s = 1e-3;

function registersOf(
  table: RegisterSpec['table'],
  values: ReadonlyMap<number, number | boolean>,
): RegisterSpec[] {
  return [...values].map(([address, value]) => ({
    table,
    address,
    type: 'uint16',
    wordOrder: 'ABCD',
    scale: 1,
    offset: 0,
    sources: [String(value)],
  }));
}

function registers(): RegisterSpec[] {
  return [
    ...(['input', 'holding'] as const).flatMap((table) => registersOf(table, fixedWords[table])),
    ...(['coil', 'discrete'] as const).flatMap((table) => registersOf(table, fixedBits[table])),
  ];
}

function newBus(): ModbusBus {
  const specs = units.map(
    (unit): UnitSpec => ({ unit, turnaround_s, maxRegisters: 125, registers: registers(), memory }),
  );
  return new ModbusBus(specs, gap_s, Number, new RigRandom(1, 'fuzz'));
}

const functions = [1, 2, 3, 4, 5, 6, 15, 16, 22, 23, 24] as const;
const oddCounts = [0, 31, 32, 121, 122, 123, 124, 125, 126, 1968, 1969, 2000, 2001, 0xffff] as const;

const high = (value: number) => (value >> 8) & 255;
const pair = (value: number) => [high(value), value & 255];

function randomAddress(random: Random): number {
  if (random.oneIn(3)) return random.below(30);
  if (random.oneIn(9)) return random.below(0x10000);
  return memory.address - 2 + random.below(memory.count + 4);
}

const randomCount = (random: Random) => (random.oneIn(8) ? random.pick(oddCounts) : 1 + random.below(20));

/** A request of any function, most of them well formed. */
function requestPdu(random: Random): Uint8Array {
  const code = random.oneIn(40) ? random.below(256) : random.pick(functions);
  const address = pair(randomAddress(random));
  const count = randomCount(random);
  const noise = (bytes: number) => random.fill(new Uint8Array(bytes));
  switch (code) {
    case 5:
      return Uint8Array.of(code, ...address, random.oneIn(9) ? random.below(256) : 255 * random.below(2), 0);
    case 6:
      // Small ones, so that a queue may begin there.
      return Uint8Array.of(code, ...address, 0, random.below(34));
    case 15: {
      const bytes = Math.min(246, Math.ceil(count / 8));
      return Uint8Array.of(code, ...address, ...pair(count), bytes, ...noise(bytes));
    }
    case 16: {
      const words = Math.min(123, count);
      return Uint8Array.of(code, ...address, ...pair(count), 2 * words, ...noise(2 * words));
    }
    case 22:
      return Uint8Array.of(code, ...address, ...noise(4));
    case 23: {
      const words = 1 + random.below(20);
      const write = [...pair(randomAddress(random)), ...pair(words), 2 * words];
      return Uint8Array.of(code, ...address, ...pair(count), ...write, ...noise(2 * words));
    }
    case 24:
      return Uint8Array.of(code, ...address);
    default:
      return Uint8Array.of(code, ...address, ...pair(count));
  }
}

/** What came between two silences: a frame, whole or damaged, with a right CRC or not; two in one; noise. */
function randomFrame(random: Random): Uint8Array {
  const unit = random.pick([0, 1, 1, 17, 17, 99]);
  const frame = withCrc(unit, requestPdu(random));
  switch (random.below(10)) {
    case 0:
      return random.fill(new Uint8Array(random.below(random.oneIn(9) ? 600 : 40)));
    case 1:
      return withCrc(unit, mutate(requestPdu(random), random));
    case 2:
      return Uint8Array.of(...frame, ...withCrc(random.pick(units), requestPdu(random)));
    case 3:
      // Too long, with a right CRC at its end or where a slave may have stopped to listen.
      return Uint8Array.of(
        ...withCrc(unit, random.fill(new Uint8Array(253 + random.below(60)))),
        ...random.fill(new Uint8Array(random.below(30))),
      );
    case 4:
    case 5:
      return mutate(frame, random);
    default:
      return frame;
  }
}

function mustBeEqual(found: Uint8Array | null, wanted: Uint8Array | null, request: Uint8Array): void {
  const hex = (bytes: Uint8Array | null) => (bytes === null ? 'nothing' : Buffer.from(bytes).toString('hex'));
  if (hex(found) !== hex(wanted))
    throw new Error(`to ${hex(request)} came ${hex(found)}, not ${hex(wanted)}`);
}

/**
 * Only a frame with a right CRC is answered or obeyed, by a unit that is there, with what the specification says; what has been
 * written before decides it, so a damaged frame that wrote would be found out. A whole frame after any noise is answered.
 */
function fuzzSlaveRtu(seed: number, count: number, progress: (done: number) => void): FuzzCounts {
  const random = new Random(seed);
  const totals = { accepted: 0, refused: 0, obeyed: 0, exceptions: 0 };
  const bus = newBus();
  const models = new Map<number, SlaveModel>(units.map((unit) => [unit, new SlaveModel()]));
  let now_s = 0;
  for (let done = 0; done < count; done++) {
    const frame = randomFrame(random);
    const refused = bus.counters.framesRefused;
    const asked = bus.counters.requestsReceived;
    now_s += 1;
    inPieces(frame, 4, 300, random, (piece) => bus.receive(piece, now_s));
    const reply = bus.finish(now_s);
    const unit = frame[0]!;
    const isRight = frame.length >= 4 && frame.length <= longestFrame_bytes && crc16Bitwise(frame) === 0;
    const pdu = frame.subarray(1, -2);
    const model = isRight ? models.get(unit) : undefined;
    if (isRight && unit === 0 && [5, 6, 15, 16, 22].includes(pdu[0]!)) {
      for (const each of models.values()) each.answer(pdu);
      totals.obeyed++;
    }
    const wanted = model === undefined ? null : withCrc(unit, model.answer(pdu));
    mustBeEqual(reply?.bytes ?? null, wanted, frame);
    if (reply !== null && !(reply.earliest_s >= now_s + gap_s))
      throw new Error('a reply came into the silence');
    if (bus.counters.requestsReceived - asked !== (model === undefined ? 0 : 1))
      throw new Error(`${Buffer.from(frame).toString('hex')} was miscounted`);
    if (bus.counters.framesRefused - refused !== (isRight || frame.length === 0 ? 0 : 1))
      throw new Error(`${Buffer.from(frame).toString('hex')} was miscounted as refused or not`);
    if (model !== undefined) totals.accepted++;
    if (!isRight) totals.refused++;
    if (done % 1000 === 0) progress(done);
  }
  totals.exceptions = bus.counters.exceptionsSent;
  return totals;
}

/** A request over TCP, and its reply by the specification; null: nobody answers. */
function tcpFrame(random: Random, models: ReadonlyMap<number, SlaveModel> | null) {
  const transaction = pair(random.below(0x10000));
  const unit = random.pick([0, 1, 1, 17, 17, 99]);
  const pdu = random.oneIn(9) ? mutate(requestPdu(random), random).slice(0, 253) : requestPdu(random);
  const own = pdu.length === 0 ? Uint8Array.of(3) : pdu;
  const frame = (body: Uint8Array) =>
    Uint8Array.of(...transaction, 0, 0, ...pair(1 + body.length), unit, ...body);
  // A gateway says of a unit that is not there that it does not answer.
  const absent = unit === 0 ? null : frame(Uint8Array.of(own[0]! | 0x80, 0x0b));
  const model = models?.get(unit);
  return { request: frame(own), reply: model === undefined ? absent : frame(model.answer(own)) };
}

/** Whole requests in any split are answered in order by the specification; behind damage a new connection begins anew. */
function fuzzSlaveTcp(seed: number, count: number, progress: (done: number) => void): FuzzCounts {
  const random = new Random(seed);
  const totals = { accepted: 0, damaged: 0, answeredDamaged: 0, refused: 0 };
  const bus = newBus();
  const models = new Map<number, SlaveModel>(units.map((unit) => [unit, new SlaveModel()]));
  let replies: Uint8Array[] = [];
  const face = new ModbusTcpFace(bus, (frame) => replies.push(frame));
  const spare = newBus();
  const damagedFace = new ModbusTcpFace(spare, (frame) => replies.push(frame));
  for (let done = 0; done < count; ) {
    const many = 1 + random.below(6);
    const frames = Array.from({ length: many }, () => tcpFrame(random, models));
    replies = [];
    inPieces(Buffer.concat(frames.map(({ request }) => request)), 6, 600, random, (piece) =>
      face.receive(piece),
    );
    const answered = frames.filter(({ reply }) => reply !== null);
    if (replies.length !== answered.length)
      throw new Error(`${answered.length} replies were due, ${replies.length} came`);
    for (const [i, reply] of replies.entries()) mustBeEqual(reply, answered[i]!.reply, answered[i]!.request);
    totals.accepted += many;
    replies = [];
    const damaged = frames.map(({ request }) =>
      random.oneIn(9) ? random.fill(new Uint8Array(random.below(300))) : mutate(request, random),
    );
    inPieces(Buffer.concat(damaged), 6, 600, random, (piece) => damagedFace.receive(piece));
    for (const reply of replies) {
      const length = reply[4]! * 256 + reply[5]!;
      if (length !== reply.length - 6 || length > 254 || reply[2] !== 0 || reply[3] !== 0)
        throw new Error(`${Buffer.from(reply).toString('hex')} is no reply`);
    }
    totals.damaged += many;
    totals.answeredDamaged += replies.length;
    damagedFace.clear();
    const { request } = tcpFrame(random, null);
    replies = [];
    if (request[6] !== 0) {
      damagedFace.receive(request);
      if (replies.length !== 1) throw new Error('the first request of a new connection was lost');
    }
    done += 2 * many;
    progress(done);
  }
  totals.refused = spare.counters.framesRefused;
  return totals;
}

export const slaveTargets: readonly FuzzTarget[] = [
  { name: 'slave-rtu', count: 10_000_000, smallCount: 20_000, run: fuzzSlaveRtu },
  { name: 'slave-tcp', count: 10_000_000, smallCount: 20_000, run: fuzzSlaveTcp },
];
