/** The part of the rig schema that describes instruments: lines of every driver. Modbus has a file of its own. */
import Type, { type Static } from 'typebox';
import { channelKeys, idSchema, linkKeys } from './schema-channel.ts';
import { modbusLine } from './schema-modbus.ts';
import { Quantity } from './schema-types.ts';

const frameChannel = Type.Object(
  {
    ...channelKeys,
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
    ...linkKeys('8N1'),
    framing: Type.Enum(['binary', 'ascii'], {
      default: 'binary',
      description: '`binary`: the open framing of drivers/serial-frames. `ascii`: one delimited line a scan.',
    }),
    delimiter: Type.String({
      minLength: 1,
      default: ';',
      description: 'Between the columns of an ascii line.',
    }),
    decimalComma: Type.Boolean({
      default: false,
      description: 'Whether numbers of an ascii line have a decimal comma.',
    }),
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
    ignoresBaud: Type.Boolean({
      default: false,
      description:
        'The port carries bytes at a speed of its own, as USB inside the device does: no time on the wire is taken off the instants of the scans.',
    }),
    channels: Type.Array(frameChannel, { minItems: 1 }),
  },
  { additionalProperties: false },
);

const recordingLine = Type.Object(
  {
    driver: Type.Literal('recording'),
    id: idSchema('Name of the line, unique in the file.'),
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
    decimalComma: Type.Optional(Type.Boolean({ description: 'CSV; found from the file when left out.' })),
    headerRows: Type.Optional(
      Type.Integer({ minimum: 0, maximum: 1000, description: 'CSV; found from the file when left out.' }),
    ),
    timeColumn: Type.Optional(Type.String({ minLength: 1, description: 'Column with the time in s.' })),
    rate: Type.Optional(
      Quantity('frequency', {
        min: '0.1 Hz',
        max: '1000 kHz',
        description: 'CSV without a column of times: rows per second.',
      }),
    ),
    channels: Type.Array(
      Type.Object(
        {
          ...channelKeys,
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

/** As written in the file: SI where the text could be read alone, text where it depends on the channel's quantity. */
export type LineText = Static<typeof lineSchema>;
export type SerialFramesLineText = Static<typeof serialFramesLine>;
export type RecordingLineText = Static<typeof recordingLine>;
/** The keys that every channel has. */
export type ChannelText = Pick<SerialFramesLineText['channels'][number], keyof typeof channelKeys>;
