/** Register bytes to numbers, in every word order. Bits come least significant first (Modbus Application Protocol V1.1b3, 6.1). */
import type { ModbusChannelSpec, ModbusType } from '../line-spec.ts';

/** Registers (or bits) that a value of this type takes. */
export const typeLength: Readonly<Record<ModbusType, number>> = {
  bit: 1,
  int16: 1,
  uint16: 1,
  int32: 2,
  uint32: 2,
  float32: 2,
  int64: 4,
  uint64: 4,
  float64: 4,
  bcd16: 1,
  bcd32: 2,
  bcd64: 4,
};

/** Whether a reading of this type can say that there is no value: NaN, or a digit above nine. */
export function canBeInvalid(type: ModbusType): boolean {
  return type.startsWith('float') || type.startsWith('bcd');
}

const scratch = new DataView(new ArrayBuffer(8));

/**
 * Value of `channel` in the reply to a read that began at `blockAddress`. Integers of 64 bits are rounded to the
 * nearest double. A device's NaN or infinity comes out as such, so does a BCD digit above nine: the caller marks it.
 */
export function decode(channel: ModbusChannelSpec, blockAddress: number, data: Uint8Array): number {
  const offset = channel.address - blockAddress;
  if (channel.table === 'coil' || channel.table === 'discrete') {
    return (data[offset >> 3]! >> (offset & 7)) & 1;
  }
  const registers = typeLength[channel.type];
  const isWordSwapped = channel.wordOrder === 'CDAB' || channel.wordOrder === 'DCBA';
  const isByteSwapped = channel.wordOrder === 'BADC' || channel.wordOrder === 'DCBA';
  for (let word = 0; word < registers; word++) {
    const from = 2 * (offset + (isWordSwapped ? registers - 1 - word : word));
    scratch.setUint8(2 * word, data[isByteSwapped ? from + 1 : from]!);
    scratch.setUint8(2 * word + 1, data[isByteSwapped ? from : from + 1]!);
  }
  if (channel.bit !== null) return (scratch.getUint16(0) >> channel.bit) & 1;
  if (channel.bits !== undefined) return bitField(channel.type, channel.bits);
  switch (channel.type) {
    case 'bit':
      return scratch.getUint16(0) & 1;
    case 'int16':
      return scratch.getInt16(0);
    case 'uint16':
      return scratch.getUint16(0);
    case 'int32':
      return scratch.getInt32(0);
    case 'uint32':
      return scratch.getUint32(0);
    case 'float32':
      return scratch.getFloat32(0);
    case 'int64':
      return Number(scratch.getBigInt64(0));
    case 'uint64':
      return Number(scratch.getBigUint64(0));
    case 'float64':
      return scratch.getFloat64(0);
    case 'bcd16':
    case 'bcd32':
    case 'bcd64':
      return decimal(2 * registers);
  }
}

function bitField(type: ModbusType, { offset, width }: NonNullable<ModbusChannelSpec['bits']>): number {
  const whole = typeLength[type] === 1 ? scratch.getUint16(0) : scratch.getUint32(0);
  const field = Math.floor(whole / 2 ** offset) % 2 ** width;
  const isNegative = type.startsWith('int') && field >= 2 ** (width - 1);
  return isNegative ? field - 2 ** width : field;
}

/** Packed decimal digits, two a byte, most significant first; NaN when one is above nine. */
function decimal(bytes: number): number {
  let value = 0;
  for (let i = 0; i < bytes; i++) {
    const byte = scratch.getUint8(i);
    const [tens, ones] = [byte >> 4, byte & 15];
    if (tens > 9 || ones > 9) return Number.NaN;
    value = value * 100 + tens * 10 + ones;
  }
  return value;
}
