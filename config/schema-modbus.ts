/** The part of the rig schema that describes Modbus lines: devices, registers, bursts. */
import Type, { type Static } from 'typebox';
import type { ModbusTable, RegisterSpan } from '../drivers/line-spec.ts';
import { channelKeys, idSchema, linkKeys } from './schema-channel.ts';
import { Quantity, Text } from './schema-types.ts';
import type { Parsed } from './units.ts';

/** A table and a zero-based address. */
export interface RegisterAddress {
  readonly table: ModbusTable;
  readonly address: number;
}

const tables: readonly ModbusTable[] = ['coil', 'discrete', 'holding', 'input'];
const tableOfDigit: Readonly<Record<string, ModbusTable>> = {
  0: 'coil',
  1: 'discrete',
  3: 'input',
  4: 'holding',
};

/**
 * `holding 100` and `input 0x64` are zero-based as on the wire; `40101`, `30101`, `400101` are the one-based spelling
 * of many manuals (first digit = table).
 */
export function readRegister(text: string): Parsed<RegisterAddress> {
  const why =
    'a register such as "holding 100" (zero-based) or 40101 (one-based: first digit 4 holding, 3 input, 1 discrete, 0 coil) is allowed';
  const named = /^([a-z]+)\s+(0x[0-9a-f]{1,4}|\d{1,5})$/i.exec(text.trim());
  if (named) {
    const table = tables.find((known) => known === named[1].toLowerCase());
    const address = Number(named[2]);
    return table !== undefined && address <= 65535 ? { value: { table, address } } : { why };
  }
  const digits = /^([0134])(\d{4,5})$/.exec(text.trim());
  const address = digits === null ? -1 : Number(digits[2]) - 1;
  if (digits !== null && address >= 0 && address <= 65535) {
    return { value: { table: tableOfDigit[digits[1]], address } };
  }
  if (digits !== null) return { why: `${why}; one-based addresses begin at ${digits[1]}0001` };
  return { why: /^(0x[0-9a-f]+|\d+)$/i.test(text) ? `which table? ${why}` : why };
}

const modbusChannel = Type.Object(
  {
    ...channelKeys,
    register: Text(readRegister, {
      description: 'Where the value stands: `holding 100` (zero-based) or 40101 (one-based).',
      examples: ['holding 100', 'input 0x64', '40101', '400101'],
    }),
    type: Type.Enum(
      [
        'bit',
        'int16',
        'uint16',
        'int32',
        'uint32',
        'float32',
        'int64',
        'uint64',
        'float64',
        'bcd16',
        'bcd32',
        'bcd64',
      ],
      { description: 'bcd: packed decimal digits, four a register.' },
    ),
    wordOrder: Type.Enum(['ABCD', 'CDAB', 'BADC', 'DCBA'], {
      default: 'ABCD',
      description:
        'A is the most significant byte. 1.0 as float32 is 3F80 0000: ABCD sends 3F80 first, CDAB 0000 first.',
    }),
    bit: Type.Optional(
      Type.Integer({
        minimum: 0,
        maximum: 15,
        description: 'Take this bit of a uint16 register; 0 is the least significant.',
      }),
    ),
    bits: Type.Optional(
      Type.Object(
        {
          offset: Type.Integer({
            minimum: 0,
            maximum: 31,
            description: 'Lowest bit; 0 is the least significant.',
          }),
          width: Type.Integer({ minimum: 1, maximum: 32, description: 'Number of bits.' }),
        },
        {
          additionalProperties: false,
          description: 'Take a field of bits of an integer of 16 or 32 bits; signed where the type is.',
        },
      ),
    ),
  },
  { additionalProperties: false },
);

/** Registers that a device must not be asked for. */
function readSpan(text: string): Parsed<RegisterSpan> {
  const why = 'registers such as "holding 10" or "holding 10 to 12" (zero-based, both included) are allowed';
  const [from, to, ...more] = text.split(/\s+to\s+/);
  const first = readRegister(from ?? '');
  const last = to === undefined || !('value' in first) ? first : readRegister(`${first.value.table} ${to}`);
  if (more.length > 0 || !('value' in first) || !('value' in last)) return { why };
  const count = last.value.address - first.value.address + 1;
  return count < 1 ? { why } : { value: { ...first.value, count } };
}

const burst = Type.Object(
  {
    ring: Type.Optional(
      Text(readRegister, {
        description: 'First register of a ring of scans; scan n stands at place n modulo depth.',
        examples: ['holding 100', '40101'],
      }),
    ),
    depth: Type.Optional(Type.Integer({ minimum: 4, maximum: 65_536, description: 'Scans the ring holds.' })),
    index: Type.Optional(
      Text(readRegister, {
        description: 'Register with the number of scans written so far, in the table of the ring.',
        examples: ['holding 0'],
      }),
    ),
    indexType: Type.Enum(['uint16', 'uint32'], { default: 'uint32', description: 'Type of the index.' }),
    indexWordOrder: Type.Enum(['ABCD', 'CDAB', 'BADC', 'DCBA'], {
      default: 'ABCD',
      description: 'Word order of a uint32 index.',
    }),
    indexWraps: Type.Optional(
      Type.Integer({
        minimum: 4,
        maximum: 4_294_967_296,
        description:
          'The index begins at 0 again when it reaches this, a multiple of depth; where the type ends when left out.',
      }),
    ),
    queue: Type.Optional(
      Type.Integer({
        minimum: 0,
        maximum: 65_535,
        description: 'Instead of a ring: address of a queue read by function 24.',
      }),
    ),
    width: Type.Optional(
      Type.Integer({
        minimum: 1,
        maximum: 60,
        description: 'Registers of one scan; the highest position + 1 when left out.',
      }),
    ),
    rate: Quantity('frequency', {
      min: '0.1 Hz',
      max: '100 kHz',
      description: 'Scans per second of the device.',
    }),
    channels: Type.Array(
      Type.Object(
        {
          ...channelKeys,
          position: Type.Integer({ minimum: 0, maximum: 59, description: 'Place in the scan, from 0.' }),
          type: Type.Enum(['int16', 'uint16'], { default: 'int16', description: 'Type of a sample.' }),
        },
        { additionalProperties: false },
      ),
      { minItems: 1 },
    ),
  },
  {
    additionalProperties: false,
    description: 'A device that samples by itself and keeps the scans until they are fetched in blocks.',
  },
);

const modbusUnit = Type.Object(
  {
    id: idSchema('Name of the device, unique in its line.'),
    unit: Type.Integer({ minimum: 1, maximum: 247, description: 'Modbus address of the device.' }),
    poll: Quantity('time', {
      min: '1 ms',
      max: '1 h',
      default: '100 ms',
      description: 'Wanted spacing of polls.',
    }),
    timeout: Quantity('time', {
      min: '5 ms',
      max: '1 min',
      default: '200 ms',
      description: 'A request without an answer for so long has failed.',
    }),
    gap: Quantity('time', {
      min: '0 s',
      max: '1 s',
      default: '0 s',
      description:
        'Silence the device needs before a request, beyond the 3.5 characters of the specification.',
    }),
    lateness: Type.Optional(
      Quantity('time', {
        min: '10 ms',
        max: '1 min',
        description:
          'No reply comes later than this after its request; 10 s when left out, 2 s where its reads leave no length of its own to a probe.',
      }),
    ),
    maxRegisters: Type.Integer({
      minimum: 1,
      maximum: 125,
      default: 125,
      description: 'Largest block it answers.',
    }),
    maxGap: Type.Integer({
      minimum: 0,
      maximum: 120,
      default: 8,
      description: 'Unused registers that may be read along to merge two blocks.',
    }),
    noRead: Type.Array(
      Text(readSpan, {
        description: 'Registers that must not be read along: `holding 10 to 12`.',
        examples: ['holding 10', 'input 0x20 to 0x2F'],
      }),
      { default: [] },
    ),
    retries: Type.Integer({
      minimum: 0,
      maximum: 5,
      default: 1,
      description:
        'How often a read is asked again within its poll after a time-out, "acknowledge" or "busy".',
    }),
    writable: Type.Boolean({
      default: false,
      description:
        'Allows writes to this device. They can move valves and start pumps: never while somebody works there.',
    }),
    burst: Type.Optional(burst),
    channels: Type.Array(modbusChannel, { default: [] }),
  },
  { additionalProperties: false },
);

/** A line of Modbus devices. */
export const modbusLine = Type.Object(
  {
    driver: Type.Literal('modbus'),
    ...linkKeys('8E1'),
    transport: Type.Optional(
      Type.Enum(['rtu', 'tcp', 'rtu-over-tcp'], {
        description:
          'rtu on a serial port; tcp (Modbus TCP) or rtu-over-tcp (a serial server that passes bytes on) over TCP, where port 502 means tcp when left out.',
      }),
    ),
    outstanding: Type.Optional(
      Type.Integer({
        minimum: 1,
        maximum: 16,
        description: 'Modbus TCP: requests sent before the first is answered; 1 when left out.',
      }),
    ),
    echo: Type.Enum(['none', 'strip', 'verify'], {
      default: 'none',
      description:
        'A two-wire adapter may send our requests back: `strip` removes them, `verify` also checks that they came back undamaged.',
    }),
    units: Type.Array(modbusUnit, { minItems: 1 }),
  },
  { additionalProperties: false },
);

export type ModbusLineText = Static<typeof modbusLine>;
