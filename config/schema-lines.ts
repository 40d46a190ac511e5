/** The part of the rig schema that describes instruments: lines, devices, channels. */
import Type, { type Static } from 'typebox';
import type { LinkSpec, ModbusTable } from '../drivers/line-spec.ts';
import { Calibrations, CurrentLoop } from './schema-calibration.ts';
import { Counts, Interval, later, Quantity, Text, WithTolerance } from './schema-types.ts';
import type { UnitKind } from './unit-table.ts';
import type { Parsed } from './units.ts';

/** Kinds of unit a channel may have, by its quantity; `state` has none. */
export const kindOfQuantity: Readonly<Record<string, UnitKind | null>> = {
  pressure: 'pressure',
  velocity: 'velocity',
  flow: 'flow',
  level: 'length',
  temperature: 'temperature',
  speed: 'rotation',
  position: 'ratio',
  state: null,
};

const id = (description: string) =>
  Text<string>(
    (text) =>
      /^[A-Za-z][A-Za-z0-9_-]{0,31}$/.test(text)
        ? { value: text }
        : {
            why: 'a short name such as PT-101 is allowed: a letter, then letters, digits, - or _; 32 at most',
          },
    { description, pattern: '^[A-Za-z][A-Za-z0-9_-]{0,31}$' },
  );

const scaling = Type.Object(
  {
    raw: Type.Optional(Counts('Two raw numbers; `value` says what they mean.')),
    value: Type.Optional(later('What the two raw numbers mean.', ['-1 to 24 bar', '0 to 4 m/s'])),
    scale: Type.Optional(
      later('Value of one count; used with `offset` instead of `raw` and `value`.', ['0.01 bar']),
    ),
    offset: Type.Optional(later('Value at raw 0; zero when left out.', ['-1 bar'])),
  },
  {
    additionalProperties: false,
    description:
      'Raw number -> value: two points (`raw`, `value`), or `scale` and `offset`. Left out: the raw number is the value in `unit`.',
  },
);

/** What every channel has, whatever its driver. */
const channel = {
  id: id('Tag, unique in the file, for example PT-101.'),
  name: Type.Optional(
    Type.String({ minLength: 1, description: 'What people call it; the tag when left out.' }),
  ),
  quantity: Type.Enum(['pressure', 'velocity', 'flow', 'level', 'temperature', 'speed', 'position', 'state']),
  unit: Type.Optional(
    later('Unit people want to see. A pressure is gauge unless it says (a). Not for `state`.', [
      'bar',
      'psi',
      'bar(a)',
    ]),
  ),
  scaling: Type.Optional(scaling),
  range: Type.Optional(later('Measuring range of the instrument. Not for `state`.', ['-1 to 24 bar'])),
  counts: Type.Optional(
    Counts('Raw numbers at the ends of the converter; a sample there is marked as clipped.'),
  ),
  responseTime: WithTolerance('time', {
    min: '0 s',
    max: '1 min',
    default: '0 s',
    description: 'First-order time constant of sensor and filter, with the half-width of its 95 % interval.',
  }),
  delay: Interval('time', {
    min: '0 s',
    max: '1 min',
    default: '0 s',
    description: 'Dead time: the value is this much older than its time stamp.',
  }),
  uncertainty: Type.Optional(
    later('Standard uncertainty: a fixed part, a part of the reading, or both.', [
      '0.02 bar',
      '0.5 %',
      '0.02 bar + 0.1 %',
    ]),
  ),
  calibrations: Type.Optional(Calibrations),
  currentLoop: Type.Optional(CurrentLoop),
};

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
    ...channel,
    register: Text(readRegister, {
      description: 'Where the value stands: `holding 100` (zero-based) or 40101 (one-based).',
      examples: ['holding 100', 'input 0x64', '40101', '400101'],
    }),
    type: Type.Enum(['bit', 'int16', 'uint16', 'int32', 'uint32', 'float32', 'int64', 'uint64', 'float64']),
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
  },
  { additionalProperties: false },
);

const modbusUnit = Type.Object(
  {
    id: id('Name of the device, unique in its line.'),
    unit: Type.Integer({ minimum: 1, maximum: 247, description: 'Modbus address of the device.' }),
    poll: Quantity('time', {
      min: '1 ms',
      max: '1 h',
      default: '100 ms',
      description: 'Wanted spacing of polls.',
    }),
    timeout: Quantity('time', { min: '5 ms', max: '1 min', default: '200 ms' }),
    gap: Quantity('time', {
      min: '0 s',
      max: '1 s',
      default: '0 s',
      description:
        'Silence the device wants before a request, beyond the 3.5 characters of the specification.',
    }),
    lateness: Type.Optional(
      Quantity('time', {
        min: '10 ms',
        max: '1 min',
        description: 'A reply later than this after its request never comes; 2 s when left out.',
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
    channels: Type.Array(modbusChannel, { minItems: 1 }),
  },
  { additionalProperties: false },
);

/** A port: where it is, and how the bytes are sent there. */
export type PortText =
  | { readonly kind: 'serial'; readonly path: string }
  | Extract<LinkSpec, { kind: 'tcp' }>;

/** Reads `port` of a line. */
export function readPort(text: string): Parsed<PortText> {
  const why = 'a serial port such as /dev/serial/by-id/usb-converter or tcp://192.0.2.20:502 is allowed';
  const tcp = /^tcp:\/\/(\[[0-9a-f:]+\]|[^:/\s[\]]+):(\d{1,5})$/i.exec(text);
  if (tcp && Number(tcp[2]) >= 1 && Number(tcp[2]) <= 65535) {
    return { value: { kind: 'tcp', host: tcp[1].replace(/^\[|\]$/g, ''), port: Number(tcp[2]) } };
  }
  return text === '' || text.includes('://') ? { why } : { value: { kind: 'serial', path: text } };
}

type Framing = Pick<Extract<LinkSpec, { kind: 'serial' }>, 'dataBits' | 'parity' | 'stopBits'>;

/** Reads `format` of a line. */
export function readFormat(text: string): Parsed<Framing> {
  const match = /^([78])([NEO])([12])$/i.exec(text);
  if (match === null)
    return { why: 'data bits, parity, stop bits are allowed in one word such as 8E1, 8N1, 8N2, 7E1' };
  const parities: Record<string, Framing['parity']> = { N: 'none', E: 'even', O: 'odd' };
  return {
    value: {
      dataBits: match[1] === '7' ? 7 : 8,
      parity: parities[match[2].toUpperCase()],
      stopBits: match[3] === '1' ? 1 : 2,
    },
  };
}

const link = (format: string) => ({
  id: id('Name of the line, unique in the file.'),
  port: Text(readPort, {
    description: 'Stable path of a serial port, or tcp://host:port for the same bytes over TCP.',
  }),
  baud: Type.Optional(
    Type.Integer({ minimum: 300, maximum: 12_000_000, description: 'Needed for a serial port.' }),
  ),
  format: Text(readFormat, { default: format, description: 'Data bits, parity, stop bits.' }),
});

const modbusLine = Type.Object(
  { driver: Type.Literal('modbus'), ...link('8E1'), units: Type.Array(modbusUnit, { minItems: 1 }) },
  { additionalProperties: false },
);

const frameChannel = Type.Object(
  {
    ...channel,
    analog: Type.Optional(
      Type.Integer({ minimum: 0, maximum: 31, description: 'Position among the samples of a scan, from 0.' }),
    ),
    digital: Type.Optional(
      Type.Integer({ minimum: 0, maximum: 15, description: 'Bit of the digital word, from 0.' }),
    ),
  },
  { additionalProperties: false },
);

const serialFramesLine = Type.Object(
  {
    driver: Type.Literal('serial-frames'),
    ...link('8N1'),
    framing: Type.Enum(['binary', 'ascii'], {
      default: 'binary',
      description: '`binary`: the open framing of DEVELOPERS.md. `ascii`: one delimited line a scan.',
    }),
    delimiter: Type.String({
      minLength: 1,
      default: ';',
      description: 'Between the columns of an ascii line.',
    }),
    decimalComma: Type.Boolean({ default: false }),
    rate: Quantity('frequency', {
      min: '0.1 Hz',
      max: '100 kHz',
      description: 'Scans per second of the converter.',
    }),
    bits: Type.Integer({ minimum: 8, maximum: 24, default: 16, description: 'Width of its samples.' }),
    delay: Quantity('time', {
      min: '0 s',
      max: '10 s',
      default: '0 s',
      description: 'Fixed time between the sampling of a scan and its sending.',
    }),
    channels: Type.Array(frameChannel, { minItems: 1 }),
  },
  { additionalProperties: false },
);

const recordingLine = Type.Object(
  {
    driver: Type.Literal('recording'),
    id: id('Name of the line, unique in the file.'),
    path: Type.String({ minLength: 1, description: 'An event folder, its trace.bin, or a CSV file.' }),
    speed: Type.Number({
      minimum: 0,
      maximum: 1000,
      default: 1,
      description: '1 as recorded, 0 as fast as possible.',
    }),
    delimiter: Type.Optional(
      Type.String({ minLength: 1, description: 'CSV; found from the file when left out.' }),
    ),
    decimalComma: Type.Optional(Type.Boolean()),
    headerRows: Type.Optional(Type.Integer({ minimum: 0, maximum: 1000 })),
    timeColumn: Type.Optional(Type.String({ minLength: 1, description: 'Column with the time in s.' })),
    rate: Type.Optional(Quantity('frequency', { min: '0.1 Hz', max: '1000 kHz' })),
    channels: Type.Array(
      Type.Object(
        {
          ...channel,
          column: Type.String({ minLength: 1, description: 'Column of the CSV, or channel of the trace.' }),
        },
        { additionalProperties: false },
      ),
      { minItems: 1 },
    ),
  },
  { additionalProperties: false },
);

/** One line of any driver. */
export const lineSchema = Type.Union([modbusLine, serialFramesLine, recordingLine]);

/** As written in the file: SI where the text could be read alone, text where it hangs on the channel's quantity. */
export type LineText = Static<typeof lineSchema>;
export type ModbusLineText = Static<typeof modbusLine>;
export type SerialFramesLineText = Static<typeof serialFramesLine>;
export type RecordingLineText = Static<typeof recordingLine>;
export type ScalingText = Static<typeof scaling>;
/** The keys that every channel has. */
export type ChannelText = Pick<SerialFramesLineText['channels'][number], keyof typeof channel>;
export { id as idSchema };
