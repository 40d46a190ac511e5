import { describe, expect, it } from 'vitest';
import { type MbapFrame, MbapFramer, mbapFrame } from '../../../../drivers/modbus/mbap-framer.ts';
import { readRequest } from '../../../../drivers/modbus/requests.ts';

const bytes = (hex: string): Uint8Array => Uint8Array.from(Buffer.from(hex.replaceAll(' ', ''), 'hex'));
const hex = (data: Uint8Array): string => Buffer.from(data).toString('hex').toUpperCase();

describe('frames of Modbus TCP', () => {
  // MODBUS Messaging on TCP/IP V1.0b, 3.1.3 and 4.4.2.1: transaction, protocol 0, length with the unit, unit, PDU.
  it('carry number, length and unit before the request', () => {
    expect(hex(mbapFrame(0x1501, 0xff, readRequest('holding', 4, 1).pdu))).toBe('150100000006FF0300040001');
  });

  it('are found however the stream is cut', () => {
    const stream = bytes('00 07 00 00 00 05 01 03 02 12 34 00 08 00 00 00 03 01 83 02');
    for (let size = 1; size <= stream.length; size++) {
      const frames: MbapFrame[] = [];
      const framer = new MbapFramer((frame) => frames.push(frame));
      for (let from = 0; from < stream.length; from += size) {
        expect(framer.push(stream.subarray(from, from + size), from)).toBe(true);
      }
      expect(frames.map(({ transaction, unit, pdu }) => `${transaction} ${unit} ${hex(pdu)}`)).toEqual([
        '7 1 03021234',
        '8 1 8302',
      ]);
    }
  });

  it.each([
    ['another protocol', '00 07 00 01 00 05 01 03 02 12 34'],
    ['a length of one', '00 07 00 00 00 01 01'],
    ['a length beyond the longest', '00 07 00 00 00 FF 01 03'],
    ['frames of a serial line', '01 03 02 12 34 B5 33'],
  ])('are not %s', (_, stream) => {
    const frames: MbapFrame[] = [];
    const framer = new MbapFramer((frame) => frames.push(frame));
    expect(framer.push(bytes(stream), 0)).toBe(false);
    expect(framer.push(bytes('00 08 00 00 00 03 01 83 02'), 0)).toBe(false);
    framer.clear();
    expect(framer.push(bytes('00 08 00 00 00 03 01 83 02'), 0)).toBe(true);
    expect(frames.map(({ transaction }) => transaction)).toEqual([8]);
  });
});
