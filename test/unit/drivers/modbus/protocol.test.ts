import { describe, expect, it } from 'vitest';
import { crc16 } from '../../../../drivers/modbus/crc.ts';
import { exceptionName, serialFrame, silence_s } from '../../../../drivers/modbus/protocol.ts';
import { payload, type Request, readRequest } from '../../../../drivers/modbus/requests.ts';
import { type Frame, RtuFramer } from '../../../../drivers/modbus/rtu-framer.ts';

const bytes = (hex: string): Uint8Array => Uint8Array.from(Buffer.from(hex.replaceAll(' ', ''), 'hex'));
const hex = (data: Uint8Array): string => Buffer.from(data).toString('hex').toUpperCase();

/** All frames in `stream` when the reply to `request` is awaited of unit 1. */
function framesOf(stream: Uint8Array, request: Request): Frame[] {
  const frames: Frame[] = [];
  const framer = new RtuFramer(
    {
      awaited: (unit) => (unit === 1 ? [request] : []),
      frame: (frame) => frames.push(frame),
      crcFailed: () => undefined,
      discarded: () => undefined,
    },
    0,
  );
  framer.push(stream, 0);
  return frames;
}

describe('CRC', () => {
  it('has the check value of CRC-16/MODBUS (Catalogue of parametrised CRC algorithms)', () => {
    expect(crc16(new TextEncoder().encode('123456789'))).toBe(0x4b37);
  });
  it('is 0 over a frame with its own CRC', () => {
    expect(crc16(bytes('01 81 02 C1 91'))).toBe(0);
  });
});

/** The worked examples of Modbus Application Protocol V1.1b3, 6.1 to 6.4 (PDU), in RTU frames for unit 1. */
const examples = [
  {
    name: '01 read coils 20-38',
    table: 'coil',
    address: 0x13,
    count: 0x13,
    request: '01 01 00 13 00 13 8C 02',
    reply: '01 01 03 CD 6B 05 42 82',
    data: 'CD6B05',
  },
  {
    name: '02 read discrete inputs 197-218',
    table: 'discrete',
    address: 0xc4,
    count: 0x16,
    request: '01 02 00 C4 00 16 B8 39',
    reply: '01 02 03 AC DB 35 22 88',
    data: 'ACDB35',
  },
  {
    name: '03 read holding registers 108-110',
    table: 'holding',
    address: 0x6b,
    count: 3,
    request: '01 03 00 6B 00 03 74 17',
    reply: '01 03 06 02 2B 00 00 00 64 05 7A',
    data: '022B00000064',
  },
  {
    name: '04 read input register 9',
    table: 'input',
    address: 8,
    count: 1,
    request: '01 04 00 08 00 01 B0 08',
    reply: '01 04 02 00 0A 39 37',
    data: '000A',
  },
] as const;

describe('published examples', () => {
  it.each(examples)('$name: request byte for byte', ({ table, address, count, request }) => {
    expect(hex(serialFrame(1, readRequest(table, address, count).pdu))).toBe(hex(bytes(request)));
  });
  it.each(examples)('$name: reply', ({ table, address, count, reply, data }) => {
    const request = readRequest(table, address, count);
    expect(framesOf(bytes(reply), request).map(({ pdu }) => hex(payload(request, pdu)))).toEqual([data]);
  });
  it('exception 02 to function 01 (V1.1b3, 7)', () => {
    // Request of the example: 01 04 A1 00 01.
    const request = readRequest('coil', 0x04a1, 1);
    expect(hex(serialFrame(1, request.pdu))).toBe('010104A10001AD18');
    const [frame] = framesOf(bytes('01 81 02 C1 91'), request);
    expect(frame?.pdu[0]).toBe(0x81);
    expect(exceptionName(frame!.pdu[1]!)).toBe('illegal data address');
  });
});

describe('limits', () => {
  it.each([
    ['coil', 0, 2001],
    ['input', 0, 126],
    ['holding', 0, 0],
    ['holding', 65535, 2],
    ['holding', -1, 1],
  ] as const)('refuses %s %i + %i', (table, address, count) => {
    expect(() => readRequest(table, address, count)).toThrow(RangeError);
  });
  it('names every published exception, and tells the number of others', () => {
    for (const code of [1, 2, 3, 4, 5, 6, 8, 10, 11]) expect(exceptionName(code)).not.toMatch(/^code/);
    expect(exceptionName(77)).toBe('code 77');
  });
});

describe('silence before a request (Modbus over Serial Line V1.02, 2.5.1.1)', () => {
  it('is 3.5 characters up to 19 200 baud', () => {
    expect(silence_s(19200, 11 / 19200)).toBeCloseTo(2.005e-3, 6);
  });
  it('is 1.75 ms above', () => {
    expect(silence_s(115200, 11 / 115200)).toBe(1.75e-3);
  });
});

describe('framer', () => {
  it('dates a frame by the chunk of its first byte', () => {
    const frames: Frame[] = [];
    const characterTime_s = 1e-3;
    const framer = new RtuFramer(
      {
        awaited: (unit) => (unit === 1 ? [readRequest('input', 8, 1)] : []),
        frame: (frame) => frames.push(frame),
        crcFailed: () => undefined,
        discarded: () => undefined,
      },
      characterTime_s,
    );
    const reply = bytes('01 04 02 00 0A 39 37');
    framer.push(reply.subarray(0, 3), 5);
    framer.push(reply.subarray(3), 6);
    expect(frames[0]?.arrival_s).toBe(5);
    expect(frames[0]?.start_s).toBeCloseTo(5 - 3e-3, 12);
  });
  it('finds the frame behind noise that looks like a longer one, when the waiting is over', () => {
    const frames: Frame[] = [];
    let bad = 0;
    const framer = new RtuFramer(
      {
        awaited: (unit) => (unit === 1 ? [readRequest('input', 8, 125), readRequest('input', 8, 1)] : []),
        frame: (frame) => frames.push(frame),
        crcFailed: () => undefined,
        discarded: (count) => {
          bad += count;
        },
      },
      0,
    );
    framer.push(bytes('01 04 FA 01 04 02 00 0A 39 37'), 0);
    expect(frames).toHaveLength(0);
    framer.finish();
    expect(frames.map(({ pdu }) => hex(pdu))).toEqual(['0402000A']);
    expect(bad).toBe(3);
  });
});
