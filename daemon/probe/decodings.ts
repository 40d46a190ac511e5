/** One place in a register map read in every way it could be meant. */
import type { ModbusChannelSpec, ModbusTable, ModbusType, WordOrder } from '../../drivers/line-spec.ts';
import { decode, typeLength } from '../../drivers/modbus/decode.ts';

export const wordOrders: readonly WordOrder[] = ['ABCD', 'CDAB', 'BADC', 'DCBA'];
/** Types whose byte order matters enough to be shown in all of them. */
export const wideTypes: readonly ModbusType[] = ['float32', 'int32', 'uint32', 'float64', 'int64'];

/** Value at `offset` registers into `data`; null where the stretch is too short for the type. */
export function valueAt(
  data: Uint8Array,
  offset: number,
  type: ModbusType,
  wordOrder: WordOrder,
): number | null {
  if (offset < 0 || 2 * (offset + typeLength[type]) > data.length) return null;
  const channel: ModbusChannelSpec = {
    id: '',
    table: 'holding',
    address: offset,
    type,
    wordOrder,
    bit: null,
  };
  return decode(channel, 0, data);
}

/** `holding 100 (40101)`: zero-based as on the wire, and the one-based spelling of manuals. */
export function registerName(table: ModbusTable, address: number): string {
  const digit = { coil: 0, discrete: 1, input: 3, holding: 4 }[table];
  const width = address < 9999 ? 4 : 5;
  return `${table} ${address} (${digit}${String(address + 1).padStart(width, '0')})`;
}

/** Magnitudes that instruments show in some unit; a float outside is another type or another word order. */
const magnitude = { least: 1e-3, most: 1e7 } as const;

/** A float that could be a measured value: finite and of a magnitude that occurs. Zero says nothing and does not count. */
export function isPlausible(value: number | null): boolean {
  return value !== null && Math.abs(value) >= magnitude.least && Math.abs(value) <= magnitude.most;
}
