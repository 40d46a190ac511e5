/**
 * THE schema of a rig file: types, defaults, limits and the JSON Schema that editors use all come from here.
 * The loader is load.ts; the words `Quantity`, `Interval`, `WithTolerance` are in schema-types.ts.
 */
import { writeFileSync } from 'node:fs';
import Type, { type Static } from 'typebox';
import { everydayKey, everydayRestraints, everydayValves } from './everyday.ts';
import { openNetworkWords } from './open-host.ts';
import { idSchema } from './schema-channel.ts';
import { definitionsSchema } from './schema-definitions.ts';
import { diskSchema } from './schema-disk.ts';
import { lineSchema } from './schema-lines.ts';
import { publishSchema } from './schema-publish.ts';
import { tankSchema } from './schema-tank.ts';
import { Interval, Quantity, WithTolerance } from './schema-types.ts';

const strict = { additionalProperties: false } as const;
const text = (description: string, example?: string) =>
  Type.String({ minLength: 1, description, ...(example === undefined ? {} : { examples: [example] }) });

const tap = (description: string, example = 'PT-101') =>
  Type.Object(
    {
      channel: text('Tag of the channel.', example),
      distance: Quantity('length', {
        min: '0 m',
        max: '100 km',
        description: 'From the valve seat along the pipe; positive on both sides.',
      }),
    },
    { ...strict, description },
  );

const valve = Type.Object(
  {
    id: idSchema('Name of this specimen, unique in the file.'),
    type: Type.Enum(['swing', 'tilting-disc', 'dual-plate', 'axial', 'ball', 'other'], {
      description: 'How it closes; `axial` is the nozzle type.',
      [everydayKey]: everydayValves,
    }),
    size: text('Nominal size, for example DN150 or 6 in.', 'DN150'),
    serial: Type.String({ default: '', description: 'Serial number.' }),
    settings: Type.String({ default: '', description: 'Counterweight, dashpot, spring, in words.' }),
    rating: Type.Optional(
      Quantity('pressure', { min: '0.1 bar', max: '1000 bar', description: 'Pressure rating.' }),
    ),
  },
  { ...strict, description: 'The check valve of this leg.' },
);

const leg = Type.Object(
  {
    id: idSchema('Short name of the leg, unique in the file, for example A.'),
    name: Type.Optional(text('What people call it; the id when left out.')),
    bore: WithTolerance('length', {
      min: '10 mm',
      max: '3 m',
      description: 'Inside diameter; known to 0.5 % unless said otherwise.',
    }),
    wall: Quantity('length', { min: '0.5 mm', max: '300 mm', description: 'Wall thickness.' }),
    material: Type.Union([
      text('Name from the list that `check` prints, for example carbon steel.', 'carbon steel'),
      Type.Object(
        {
          name: text('What it is.', 'lined steel'),
          modulus: Quantity('modulus', { min: '0.1 GPa', max: '500 GPa', description: "Young's modulus." }),
          poisson: Type.Number({ minimum: 0, maximum: 0.5, default: 0.3, description: "Poisson's ratio." }),
        },
        strict,
      ),
    ]),
    restraint: Type.Enum(['upstream-anchored', 'anchored', 'expansion-joints'], {
      default: 'anchored',
      [everydayKey]: everydayRestraints,
      description:
        'How the pipe is held along its axis: at the upstream end only, throughout, or not at all.',
    }),
    length: WithTolerance('length', {
      min: '0.2 m',
      max: '100 km',
      description: 'Valve seat to the end that reflects (the tank), along the pipe.',
    }),
    inletLength: Quantity('length', {
      min: '0 m',
      max: '100 km',
      description: 'Pump to valve seat, along the pipe.',
    }),
    inertiaRatio: Type.Optional(
      WithTolerance('ratio', {
        min: '0.9',
        max: '1.5',
        description:
          'Effective over geometric length of the column; found from repeated runs. Left out: end correction of the bore.',
      }),
    ),
    waveSpeed: Type.Optional(
      WithTolerance('velocity', {
        min: '100 m/s',
        max: '1500 m/s',
        description: 'Measured wave speed. Left out: computed from pipe and water, known to 4 %.',
      }),
    ),
    rating: Type.Optional(
      Quantity('pressure', { min: '0.1 bar', max: '1000 bar', description: 'Rating of the pipe.' }),
    ),
    valve,
    taps: Type.Object(
      {
        outlet: tap('Pressure just downstream of the valve: the one that every verdict needs.'),
        mid: Type.Optional(tap('Pressure further downstream.')),
        inlet: Type.Optional(tap('Pressure just upstream of the valve.')),
      },
      strict,
    ),
    meter: Type.Optional(
      Type.Object(
        {
          channel: text('Tag of the channel.', 'FT-101'),
          distance: Type.Optional(
            Quantity('length', {
              min: '0 m',
              max: '100 km',
              description: 'Leave it out: no figure depends on where a meter is.',
            }),
          ),
        },
        { ...strict, description: 'Velocity or flow in this leg.' },
      ),
    ),
    position: Type.Optional(text('Tag of the disc position channel: 0 % shut, 100 % open.', 'ZT-101')),
  },
  strict,
);

const source = (runningLevel: number, levelText: string, delay: string) =>
  Type.Object(
    {
      channel: text('Tag of a channel of quantity state.', 'XS-101'),
      runningLevel: Type.Integer({ minimum: 0, maximum: 1, default: runningLevel, description: levelText }),
      delay: Interval('time', {
        min: '-10 s',
        max: '10 s',
        default: delay,
        description: 'The pump lost its drive this much before the edge; negative when it does so after it.',
      }),
    },
    strict,
  );

/** The whole rig file. */
export const rigSchema = Type.Object(
  {
    rig: Type.Object(
      {
        name: text('Name of the rig.', 'Test loop'),
        place: Type.String({ default: '', description: 'Where it stands.' }),
      },
      strict,
    ),
    liquid: Type.Object(
      {
        name: Type.String({
          minLength: 1,
          default: 'water',
          description: 'Only the properties of water are built in.',
        }),
        temperature: WithTolerance('temperature', {
          min: '0 degC',
          max: '40 degC',
          default: '20 degC +- 3 K',
          description: 'Of the liquid.',
        }),
        density: Type.Optional(
          WithTolerance('density', {
            min: '500 kg/m3',
            max: '2000 kg/m3',
            description: 'Needed unless it is water.',
          }),
        ),
        bulkModulus: Type.Optional(
          Quantity('modulus', {
            min: '0.1 GPa',
            max: '10 GPa',
            description: 'Isentropic. Needed unless it is water.',
          }),
        ),
        vapourPressure: Type.Optional(
          Quantity('absolutePressure', {
            min: '0 Pa',
            max: '2 bar',
            description: 'Needed unless it is water.',
          }),
        ),
      },
      { ...strict, default: {} },
    ),
    atmosphere: Quantity('absolutePressure', {
      min: '500 mbar',
      max: '1100 mbar',
      default: '1013.25 mbar(a)',
      description: 'Air pressure at the rig, absolute; about 1.2 mbar less for every 10 m above the sea.',
    }),
    legs: Type.Array(leg, { minItems: 1, maxItems: 8 }),
    lines: Type.Array(lineSchema, { minItems: 1, maxItems: 16 }),
    trip: Type.Object(
      {
        contact: Type.Optional(source(1, 'Level of the channel while the pump runs.', '0 to 20 ms')),
        pressureSwitch: Type.Optional(
          source(0, 'Level of the channel while the switch has not tripped.', '-50 to 0 ms'),
        ),
        detected: Type.Boolean({
          default: true,
          description: 'Whether pressure and flow alone may declare a trip.',
        }),
        tank: Type.Optional(tankSchema),
      },
      { ...strict, default: {} },
    ),
    windows: Type.Object(
      {
        before: Quantity('time', {
          min: '1.5 s',
          max: '60 s',
          default: '2 s',
          description: 'Kept before the trip.',
        }),
        afterSeating: Quantity('time', {
          min: '0.5 s',
          max: '60 s',
          default: '3 s',
          description: 'Kept after the last valve has seated.',
        }),
        withoutSeating: Quantity('time', {
          min: '1 s',
          max: '5 min',
          default: '8 s',
          description: 'Kept after the trip when no seating is found.',
        }),
        history: Quantity('time', {
          min: '10 s',
          max: '10 min',
          default: '60 s',
          description: 'Kept in memory.',
        }),
      },
      { ...strict, default: {} },
    ),
    severity: Type.Object(
      {
        version: Type.String({
          minLength: 1,
          default: 'trade rule, from memory',
          description: 'Printed with every class.',
        }),
        mild: Quantity('velocity', {
          min: '1 mm/s',
          max: '10 m/s',
          default: '0.5 ft/s',
          description: 'Below it no slam, from it on a mild one.',
        }),
        severe: Quantity('velocity', {
          min: '1 mm/s',
          max: '10 m/s',
          default: '1.0 ft/s',
          description: 'From it on a severe slam.',
        }),
      },
      {
        ...strict,
        default: {},
        description: 'Classes by the equivalent reverse velocity; no standard sets them.',
      },
    ),
    definitions: definitionsSchema,
    dataFolder: Type.String({
      minLength: 1,
      default: 'data',
      description: 'Relative to the working directory.',
    }),
    disk: diskSchema,
    server: Type.Object(
      {
        host: Type.String({
          minLength: 1,
          default: '127.0.0.1',
          description:
            'Address to serve the dashboard on; anything but this machine itself needs `openNetwork`.',
        }),
        port: Type.Integer({
          minimum: 0,
          maximum: 65535,
          default: 8470,
          description: 'Port of the dashboard; 0 takes a free one.',
        }),
        openNetwork: Type.Optional(
          Type.Literal(openNetworkWords, {
            description:
              'There are no users yet: whoever reaches the address reads everything and saves windows. Only for a closed test network.',
          }),
        ),
      },
      { ...strict, default: {} },
    ),
    publish: Type.Optional(publishSchema),
  },
  { ...strict, title: 'Tripwave rig file' },
);

/** A rig file as read: SI where a value stands alone, text where it depends on other keys. */
export type RigText = Static<typeof rigSchema>;

/** The schema as JSON Schema (2020-12) text: keys with a default are not required. Ends with a newline. */
export function jsonSchemaText(): string {
  const relax = (node: unknown): unknown => {
    if (Array.isArray(node)) return node.map(relax);
    if (node === null || typeof node !== 'object') return node;
    const out = Object.fromEntries(Object.entries(node).map(([key, value]) => [key, relax(value)]));
    const { properties, required } = out as { properties?: Record<string, object>; required?: string[] };
    if (properties && required) out.required = required.filter((key) => !('default' in properties[key]));
    return out;
  };
  const schema = { $schema: 'https://json-schema.org/draft/2020-12/schema', ...(relax(rigSchema) as object) };
  return `${JSON.stringify(schema, null, 2)}\n`;
}

/** Writes the JSON Schema where `# yaml-language-server: $schema=rig.schema.json` of the example files finds it. */
export function writeJsonSchema(file: string | URL = new URL('rig.schema.json', import.meta.url)): void {
  writeFileSync(file, jsonSchemaText());
}
