/** The worked examples of Modbus Application Protocol V1.1b3, 6.5, 6.6, 6.11, 6.12 and 6.16 to 6.18, in RTU frames for unit 1. */
import { describe, expect, it } from 'vitest';
import { ModbusDevice } from '../../../../daemon/virtual-rig/modbus-device.ts';
import { serialFrame } from '../../../../drivers/modbus/protocol.ts';
import {
  isReply,
  isWrite,
  longestReply,
  maskWriteRequest,
  payload,
  readQueueRequest,
  readRequest,
  readWriteRequest,
  writeCoilRequest,
  writeCoilsRequest,
  writeRegisterRequest,
  writeRegistersRequest,
} from '../../../../drivers/modbus/requests.ts';
import { type Frame, RtuFramer } from '../../../../drivers/modbus/rtu-framer.ts';

const bytes = (hex: string): Uint8Array => Uint8Array.from(Buffer.from(hex.replaceAll(' ', ''), 'hex'));
const hex = (data: Uint8Array): string => Buffer.from(data).toString('hex').toUpperCase();
const bits = (text: string): boolean[] => [...text].map((bit) => bit === '1');

const examples = [
  {
    name: '05 write coil 173 on',
    request: writeCoilRequest(0xac, true),
    sent: '01 05 00 AC FF 00 4C 1B',
    reply: '01 05 00 AC FF 00 4C 1B',
  },
  {
    name: '06 write register 2 to 3',
    request: writeRegisterRequest(1, 3),
    sent: '01 06 00 01 00 03 98 0B',
    reply: '01 06 00 01 00 03 98 0B',
  },
  {
    name: '15 write ten coils from 20 on',
    // CD 01: coils 27 to 20 are 1100 1101, 29 and 28 are 01.
    request: writeCoilsRequest(0x13, bits('1011001110')),
    sent: '01 0F 00 13 00 0A 02 CD 01 72 CB',
    reply: '01 0F 00 13 00 0A 24 09',
  },
  {
    name: '16 write registers 2 and 3',
    request: writeRegistersRequest(1, [0x000a, 0x0102]),
    sent: '01 10 00 01 00 02 04 00 0A 01 02 92 30',
    reply: '01 10 00 01 00 02 10 08',
  },
  {
    name: '22 mask register 5',
    request: maskWriteRequest(4, 0x00f2, 0x0025),
    sent: '01 16 00 04 00 F2 00 25 67 EE',
    reply: '01 16 00 04 00 F2 00 25 67 EE',
  },
  {
    name: '23 read six, write three',
    request: readWriteRequest(3, 6, 0x0e, [0x00ff, 0x00ff, 0x00ff]),
    sent: '01 17 00 03 00 06 00 0E 00 03 06 00 FF 00 FF 00 FF 46 91',
    reply: '01 17 0C 00 FE 0A CD 00 01 00 03 00 0D 00 FF 1D 79',
    data: '00FE0ACD00010003000D00FF',
  },
  {
    name: '24 read the queue at 1246',
    request: readQueueRequest(0x04de),
    sent: '01 18 04 DE 03 47',
    reply: '01 18 00 06 00 02 01 B8 12 84 19 18',
    data: '01B81284',
  },
] as const;

function framesOf(stream: Uint8Array, request: (typeof examples)[number]['request']): Frame[] {
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
  for (const byte of stream) framer.push(Uint8Array.of(byte), 0);
  return frames;
}

describe('published examples', () => {
  it.each(examples)('$name: request byte for byte', ({ request, sent }) => {
    expect(hex(serialFrame(1, request.pdu))).toBe(hex(bytes(sent)));
  });

  it.each(examples)('$name: reply, a byte at a time', ({ request, reply, ...more }) => {
    const [frame, ...others] = framesOf(bytes(reply), request);
    expect(others).toEqual([]);
    expect(isReply(request, frame!.pdu)).toBe(true);
    if ('data' in more) expect(hex(payload(request, frame!.pdu))).toBe(more.data);
  });

  it.each(examples)('$name: exception', ({ request }) => {
    expect(isReply(request, Uint8Array.of(request.functionCode | 0x80, 4))).toBe(true);
    expect(isReply(request, Uint8Array.of(0x80, 4))).toBe(false);
  });
});

describe('a reply', () => {
  it('to a write must repeat what was written', () => {
    expect(isReply(writeRegisterRequest(1, 3), bytes('06 00 01 00 04'))).toBe(false);
    expect(isReply(writeRegistersRequest(1, [1, 2]), bytes('10 00 01 00 03'))).toBe(false);
    expect(isReply(writeCoilRequest(1, true), bytes('05 00 01 00 00'))).toBe(false);
  });

  it('to a read must say the length that was asked for', () => {
    const request = readRequest('holding', 0, 2);
    expect(isReply(request, bytes('03 04 00 01 00 02'))).toBe(true);
    expect(isReply(request, bytes('03 02 00 01 00 02'))).toBe(false);
    expect(isReply(request, bytes('03 06 00 01 00 02'))).toBe(false);
  });

  it('with a queue must agree with its own counts, and hold 31 at most', () => {
    const request = readQueueRequest(0);
    expect(isReply(request, bytes('18 00 06 00 03 01 B8 12 84'))).toBe(false);
    expect(isReply(request, bytes('18 00 02 00 00'))).toBe(true);
    expect(isReply(request, Uint8Array.of(24, 0, 66, 0, 32, ...new Array(64).fill(0)))).toBe(false);
  });

  it('is never longer than was foretold', () => {
    expect(longestReply(readQueueRequest(0))).toBe(67);
    expect(longestReply(readRequest('coil', 0, 2000))).toBe(252);
    expect(longestReply(writeRegistersRequest(0, [1, 2, 3]))).toBe(5);
  });
});

describe('limits', () => {
  it.each([
    ['1969 coils', () => writeCoilsRequest(0, new Array(1969).fill(true))],
    ['124 registers', () => writeRegistersRequest(0, new Array(124).fill(0))],
    ['122 registers beside a read', () => readWriteRequest(0, 1, 0, new Array(122).fill(0))],
    ['no registers', () => writeRegistersRequest(0, [])],
    ['a value of 17 bits', () => writeRegisterRequest(0, 65536)],
    ['a negative value', () => maskWriteRequest(0, -1, 0)],
    ['an address past the end', () => writeRegistersRequest(65535, [1, 2])],
    ['a queue past the end', () => readQueueRequest(65536)],
  ])('refuse %s', (_, make) => {
    expect(make).toThrow(RangeError);
  });

  it('tell writes from reads', () => {
    expect(examples.map(({ request }) => isWrite(request))).toEqual([
      true,
      true,
      true,
      true,
      true,
      true,
      false,
    ]);
    expect(isWrite(readRequest('holding', 0, 1))).toBe(false);
  });
});

describe('the virtual unit', () => {
  it.each(examples.slice(0, 4))('answers the published example of $name', ({ request, reply }) => {
    const device = new ModbusDevice(
      { maxRegisters: 125, registers: [], memory: { address: 0, count: 200 } },
      () => 0,
    );
    expect(hex(serialFrame(1, device.answer(request.pdu)))).toBe(hex(bytes(reply)));
  });

  it('masks as published: 12 AND F2 OR 25 is 17', () => {
    const device = new ModbusDevice(
      { maxRegisters: 125, registers: [], memory: { address: 0, count: 9 } },
      () => 0,
    );
    device.answer(writeRegisterRequest(4, 0x12).pdu);
    expect(hex(device.answer(maskWriteRequest(4, 0xf2, 0x25).pdu))).toBe('16000400F20025');
    expect(hex(device.answer(readRequest('holding', 4, 1).pdu))).toBe('03020017');
  });

  it('reads after it has written, and hands out its queue', () => {
    const memory = { address: 0, count: 0x500 };
    const device = new ModbusDevice({ maxRegisters: 125, registers: [], memory }, () => 0);
    device.answer(writeRegistersRequest(3, [0xfe, 0xacd, 1, 3, 0xd, 0xff]).pdu);
    expect(hex(device.answer(examples[5].request.pdu))).toBe(hex(bytes(examples[5].reply).slice(1, -2)));
    expect(hex(device.answer(readRequest('holding', 14, 3).pdu))).toBe('030600FF00FF00FF');
    device.answer(writeRegistersRequest(0x4de, [2, 0x1b8, 0x1284]).pdu);
    expect(hex(device.answer(readQueueRequest(0x4de).pdu))).toBe('180006000201B81284');
  });

  it.each([
    ['a function it does not offer', '11', '9101'],
    ['a register beyond its memory', '06 01 00 00 01', '8602'],
    ['a coil value that is neither on nor off', '05 00 01 12 34', '8503'],
    ['a byte count that does not fit', '10 00 01 00 02 03 00 0A 01', '9003'],
    ['a request cut short', '03 00 01', '8303'],
  ])('refuses %s', (_, request, reply) => {
    const device = new ModbusDevice(
      { maxRegisters: 125, registers: [], memory: { address: 0, count: 9 } },
      () => 0,
    );
    expect(hex(device.answer(bytes(request)))).toBe(reply);
  });
});
