import { describe, expect, it } from 'vitest';
import type { ModbusChannelSpec, ModbusType, WordOrder } from '../../../../drivers/line-spec.ts';
import { decode } from '../../../../drivers/modbus/decode.ts';

function channel(
  type: ModbusType,
  wordOrder: WordOrder,
  more: Partial<ModbusChannelSpec> = {},
): ModbusChannelSpec {
  return { id: 'c', table: 'holding', address: 0, type, wordOrder, bit: null, ...more };
}

/** 123456.0 is 47 F1 20 00 in IEEE 754 single precision. */
describe('word orders of a float32', () => {
  it.each([
    ['ABCD', [0x47, 0xf1, 0x20, 0x00]],
    ['CDAB', [0x20, 0x00, 0x47, 0xf1]],
    ['BADC', [0xf1, 0x47, 0x00, 0x20]],
    ['DCBA', [0x00, 0x20, 0xf1, 0x47]],
  ] as const)('%s', (order, data) => {
    expect(decode(channel('float32', order), 0, Uint8Array.from(data))).toBe(123456);
  });
});

/** 1, 2, ... 8 as the bytes A to H. */
describe('word orders of 64 bits', () => {
  it.each([
    ['ABCD', [1, 2, 3, 4, 5, 6, 7, 8]],
    ['CDAB', [7, 8, 5, 6, 3, 4, 1, 2]],
    ['BADC', [2, 1, 4, 3, 6, 5, 8, 7]],
    ['DCBA', [8, 7, 6, 5, 4, 3, 2, 1]],
  ] as const)('%s', (order, data) => {
    expect(decode(channel('uint64', order), 0, Uint8Array.from(data))).toBe(Number(0x0102030405060708n));
  });
});

describe('types', () => {
  const all = Uint8Array.from([0xff, 0xfe, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff]);
  it.each([
    ['int16', -2],
    ['uint16', 0xfffe],
    ['int32', -65537],
    ['uint32', 0xfffeffff],
    ['int64', -281474976710657],
  ] as const)('%s', (type, value) => {
    expect(decode(channel(type, 'ABCD'), 0, all)).toBe(value);
  });
  it('float64 1.0 is 3F F0 and six zeros', () => {
    expect(decode(channel('float64', 'ABCD'), 0, Uint8Array.of(0x3f, 0xf0, 0, 0, 0, 0, 0, 0))).toBe(1);
  });
  it('takes one bit of a register', () => {
    const data = Uint8Array.of(0, 0, 0x80, 0x01);
    const bits = [0, 1, 15].map((bit) => decode(channel('uint16', 'ABCD', { address: 8, bit }), 7, data));
    expect(bits).toEqual([1, 0, 1]);
  });
  // Packed decimal: two digits a byte, most significant first (common practice, no source); A to F are no digits.
  it('BCD digits are decimal, and one above nine is no value', () => {
    expect(decode(channel('bcd16', 'ABCD'), 0, Uint8Array.of(0x12, 0x34))).toBe(1234);
    expect(decode(channel('bcd32', 'ABCD'), 0, Uint8Array.of(0x12, 0x34, 0x56, 0x78))).toBe(12345678);
    expect(decode(channel('bcd16', 'ABCD'), 0, Uint8Array.of(0x12, 0x3a))).toBeNaN();
    expect(decode(channel('bcd16', 'ABCD'), 0, Uint8Array.of(0xa2, 0x34))).toBeNaN();
  });
  // Two's complement of four bits: 8 to F are -8 to -1.
  it('a field of a signed register has a sign, one of an unsigned register has none', () => {
    const bits = { offset: 4, width: 4 };
    const read = (type: 'int16' | 'uint16', data: number) =>
      decode(channel(type, 'ABCD', { bits }), 0, Uint8Array.of(0x12, data));
    expect([read('int16', 0xf3), read('int16', 0x83), read('int16', 0x73)]).toEqual([-1, -8, 7]);
    expect([read('uint16', 0xf3), read('uint16', 0x73)]).toEqual([15, 7]);
  });
  it('swaps the bytes of one register', () => {
    expect(decode(channel('uint16', 'BADC'), 0, Uint8Array.of(0x34, 0x12))).toBe(0x1234);
  });
});

describe('bits', () => {
  // Modbus Application Protocol V1.1b3, 6.1: coils 27-20 are CD = 1100 1101, 35-28 are 6B, 38-36 are 05.
  it('come least significant first', () => {
    const data = Uint8Array.of(0xcd, 0x6b, 0x05);
    const read = (coil: number): number =>
      decode(channel('bit', 'ABCD', { table: 'coil', address: coil - 1 }), 0x13, data);
    expect([20, 21, 22, 23, 24, 25, 26, 27].map(read)).toEqual([1, 0, 1, 1, 0, 0, 1, 1]);
    expect([36, 37, 38].map(read)).toEqual([1, 0, 1]);
  });
});
