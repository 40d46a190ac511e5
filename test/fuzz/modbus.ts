/** Modbus replies: frames with CRC among noise, as a shared line gives them, and frames with a header over TCP. */
import { MbapFramer, mbapFrame, mbapLength } from '../../drivers/modbus/mbap-framer.ts';
import {
  isReply,
  type Request,
  readQueueRequest,
  readRequest,
  writeRegisterRequest,
} from '../../drivers/modbus/requests.ts';
import { RtuFramer } from '../../drivers/modbus/rtu-framer.ts';
import { inPieces, mutate, Random } from './random.ts';
import type { FuzzCounts, FuzzTarget } from './target.ts';

const framesAStream = 32;

/** CRC-16 of Modbus over Serial Line V1.02, 6.2.2, bit by bit, so that the framer's own is not judged by itself. */
export function crc16Bitwise(bytes: Uint8Array): number {
  let crc = 0xffff;
  for (const byte of bytes) {
    crc ^= byte;
    for (let bit = 0; bit < 8; bit++) crc = (crc >>> 1) ^ (crc & 1 ? 0xa001 : 0);
  }
  return crc;
}

/** Unit, `pdu` and their CRC. */
export function withCrc(unit: number, pdu: Uint8Array): Uint8Array {
  const body = Uint8Array.of(unit, ...pdu);
  const crc = crc16Bitwise(body);
  return Uint8Array.of(...body, crc & 0xff, crc >> 8);
}

const requests: readonly Request[] = [
  readRequest('holding', 100, 2),
  readRequest('input', 0, 10),
  readRequest('coil', 7, 19),
  writeRegisterRequest(3, 0x1234),
  readQueueRequest(9),
];

/** A reply to one of `requests`, or an exception. */
function replyPdu(random: Random): Uint8Array {
  const request = random.pick(requests);
  const code = request.functionCode;
  if (random.oneIn(6)) return Uint8Array.of(code | 0x80, 1 + random.below(11));
  const { form } = request;
  if (form.kind === 'data')
    return Uint8Array.of(code, form.byteCount, ...random.fill(new Uint8Array(form.byteCount)));
  if (form.kind === 'echo') return Uint8Array.of(code, ...form.bytes);
  const count = random.below(32);
  return Uint8Array.of(code, 0, 2 + 2 * count, 0, count, ...random.fill(new Uint8Array(2 * count)));
}

function fuzzRtu(seed: number, count: number, progress: (done: number) => void): FuzzCounts {
  const random = new Random(seed);
  const totals = { accepted: 0, intact: 0, crcErrors: 0 };
  const awaited = (unit: number): readonly Request[] => (unit === 1 || unit === 17 ? requests : []);
  for (let done = 0; done < count; done += framesAStream) {
    const parts = Array.from({ length: framesAStream }, () => {
      const frame = withCrc(random.pick([1, 17, 17, 99]), replyPdu(random));
      const kind = random.below(4);
      if (kind === 0) return random.fill(new Uint8Array(random.below(40)));
      return kind === 1 ? frame : mutate(frame, random);
    });
    // The last one is whole and stands after a pause: whatever noise said before, it must be found.
    const last = withCrc(1, replyPdu(random));
    const stream = Buffer.concat(parts);
    let used = 0;
    let cursor = 0;
    let whole = stream;
    let newest: Buffer = stream;
    const framer = new RtuFramer(
      {
        awaited,
        frame: ({ unit, pdu }) => {
          newest = Buffer.from(withCrc(unit, pdu));
          const at = whole.indexOf(newest, cursor);
          if (at < 0)
            throw new Error(
              `a frame came out that did not go in with a right CRC: ${newest.toString('hex')}`,
            );
          if (!requests.some((request) => isReply(request, pdu)))
            throw new Error('a frame came out that answers nothing');
          cursor = at + newest.length;
          used += newest.length;
          totals.accepted++;
        },
        crcFailed: () => {
          totals.crcErrors++;
        },
        discarded: (bytes) => {
          used += bytes;
        },
      },
      1e-4,
    );
    inPieces(stream, 6, 300, random, (piece) => framer.push(piece, done));
    framer.finish();
    framer.clear();
    if (used !== stream.length) throw new Error(`${stream.length - used} bytes are unaccounted for`);
    whole = Buffer.from(last);
    cursor = 0;
    framer.push(last, done);
    if (Buffer.compare(newest, last) !== 0)
      throw new Error(`an intact reply was lost: ${whole.toString('hex')}`);
    totals.intact++;
    progress(done);
  }
  return totals;
}

function fuzzMbap(seed: number, count: number, progress: (done: number) => void): FuzzCounts {
  const random = new Random(seed);
  const totals = { accepted: 0, lost: 0 };
  let isOut = false;
  const framer = new MbapFramer(({ pdu, unit, transaction }) => {
    const isLegal = pdu.length >= 1 && pdu.length <= 253 && unit <= 255 && transaction <= 0xffff;
    if (!isLegal) throw new Error(`a frame of ${pdu.length} bytes came out`);
    totals.accepted++;
  });
  for (let done = 0; done < count; done++) {
    const frame = mbapFrame(random.below(0x10000), random.below(256), replyPdu(random));
    const bytes = random.oneIn(3)
      ? mutate(frame, random)
      : random.oneIn(20)
        ? random.fill(new Uint8Array(random.below(300)))
        : frame;
    inPieces(bytes, 6, 300, random, (piece) => {
      isOut = !framer.push(piece, done);
    });
    if (framer.pending > mbapLength + 253) throw new Error(`${framer.pending} bytes are held`);
    if (isOut || random.oneIn(50)) {
      if (isOut) totals.lost++;
      framer.clear();
      isOut = false;
      const before = totals.accepted;
      framer.push(frame, done);
      if (totals.accepted !== before + 1) throw new Error('a frame of a new connection was lost');
    }
    if (done % 1000 === 0) progress(done);
  }
  return totals;
}

export const modbusTargets: readonly FuzzTarget[] = [
  { name: 'modbus-rtu', count: 10_000_000, smallCount: 20_000, run: fuzzRtu },
  { name: 'modbus-tcp', count: 10_000_000, smallCount: 20_000, run: fuzzMbap },
];
