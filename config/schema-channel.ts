/** What the channels and ports of every driver have in the rig schema. */
import Type, { type Static } from 'typebox';
import type { LinkSpec } from '../drivers/line-spec.ts';
import { everydayKey, everydayQuantities } from './everyday.ts';
import { Calibrations, CurrentLoop } from './schema-calibration.ts';
import { Counts, Formed, Interval, later, Text, WithTolerance } from './schema-types.ts';
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

/** A short name, unique where it is used. */
export const idSchema = (description: string, example?: string) =>
  Formed(
    /^[A-Za-z][A-Za-z0-9_-]{0,31}$/,
    'a short name such as PT-101 (a letter, then letters, digits, - or _; 32 at most)',
    { description, ...(example === undefined ? {} : { examples: [example] }) },
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
export const channelKeys = {
  id: idSchema('Tag, unique in the file, for example PT-101.', 'PT-101'),
  name: Type.Optional(
    Type.String({ minLength: 1, description: 'What people call it; the tag when left out.' }),
  ),
  quantity: Type.Enum(
    ['pressure', 'velocity', 'flow', 'level', 'temperature', 'speed', 'position', 'state'],
    {
      description: 'What is measured; `speed` is rotational, `position` that of the disc, `state` is 0 or 1.',
      [everydayKey]: everydayQuantities,
    },
  ),
  unit: Type.Optional(
    later('Unit to show it in. A pressure is gauge unless it says (a). Not for `state`.', [
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
  responseTime: Type.Optional(
    WithTolerance('time', {
      min: '0 s',
      max: '1 min',
      description:
        'First-order time constant of sensor and filter, with the half-width of its 95 % interval. Not given: assumed by kind (pressure 1 ms +- 1 ms, flow and velocity 250 ms +- 250 ms), and the verdict says so.',
    }),
  ),
  delay: Interval('time', {
    min: '0 s',
    max: '1 min',
    default: '0 s',
    description:
      'Dead time: the value is this much older than its time stamp. From, to: hard bounds; the middle is taken off the instants.',
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

/** A port: where it is, and how the bytes are sent there. */
export type PortText =
  | { readonly kind: 'serial'; readonly path: string }
  | Extract<LinkSpec, { kind: 'tcp' }>;

/** A path, or tcp://host:port. */
export function readPort(text: string): Parsed<PortText> {
  const why = 'a serial port such as /dev/serial/by-id/usb-converter or tcp://192.0.2.20:502 is allowed';
  const tcp = /^tcp:\/\/(\[[0-9a-f:]+\]|[^:/\s[\]]+):(\d{1,5})$/i.exec(text);
  if (tcp && Number(tcp[2]) >= 1 && Number(tcp[2]) <= 65535) {
    return { value: { kind: 'tcp', host: tcp[1].replace(/^\[|\]$/g, ''), port: Number(tcp[2]) } };
  }
  return text === '' || text.includes('://') ? { why } : { value: { kind: 'serial', path: text } };
}

type Framing = Pick<Extract<LinkSpec, { kind: 'serial' }>, 'dataBits' | 'parity' | 'stopBits'>;

/** Data bits, parity and stop bits in one word. */
export function readFormat(text: string): Parsed<Framing> {
  const match = /^([78])([NEO])([12])$/i.exec(text.replace(/[-,/ ]/g, ''));
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

/** Keys of a line on a port; `format` is what is taken when none is given. */
export const linkKeys = (format: string) => ({
  id: idSchema('Name of the line, unique in the file.', 'bus'),
  port: Text(readPort, {
    description: 'Stable path of a serial port, or tcp://host:port for the same bytes over TCP.',
  }),
  baud: Type.Optional(
    Type.Integer({ minimum: 300, maximum: 12_000_000, description: 'Needed for a serial port.' }),
  ),
  format: Text(readFormat, { default: format, description: 'Data bits, parity, stop bits.' }),
});

export type ScalingText = Static<typeof scaling>;
