/**
 * Every name that a time-series server sees, in one table: README.md of publish shows it and lines.ts writes by it. Names, tags, fields and
 * their types are frozen: a server refuses a field whose type has changed, and dashboards hang on the names.
 */
import type { QuantityKind } from '../../../config/rig.ts';

export interface FieldSpec {
  readonly name: string;
  readonly type: 'float' | 'integer' | 'string';
}

export interface MeasurementSpec {
  readonly name: string;
  readonly tags: readonly string[];
  readonly fields: readonly FieldSpec[];
  /** What one point is, and which instant it stands at. */
  readonly meaning: string;
}

/** Quantity -> end of its field names: the SI unit. Pressure is gauge. */
export const unitEnds: Readonly<Record<QuantityKind, string>> = {
  pressure: 'Pa',
  velocity: 'mps',
  flow: 'm3ps',
  level: 'm',
  temperature: 'K',
  speed: 'radps',
  position: 'ratio',
  state: 'ratio',
};

const float = (...names: string[]): FieldSpec[] => names.map((name) => ({ name, type: 'float' }));
const integer = (...names: string[]): FieldSpec[] => names.map((name) => ({ name, type: 'integer' }));
const string = (...names: string[]): FieldSpec[] => names.map((name) => ({ name, type: 'string' }));

const quantities = Object.keys(unitEnds) as QuantityKind[];
const ends = (quantity: QuantityKind, ...names: string[]) =>
  float(...names.map((name) => `${name}_${unitEnds[quantity]}`));

/** A table of all measurements; those of channels come once for each quantity. */
export const measurements: readonly MeasurementSpec[] = [
  ...quantities.map((quantity) => ({
    name: `rig_${quantity}`,
    tags: ['node', 'channel'],
    fields: [...ends(quantity, 'min', 'max', 'mean', 'last'), ...integer('count', 'worst')],
    meaning:
      'one channel over one second, at its start; `worst` sample: 0 good, 1 suspect, 2 clipped, 3 invalid',
  })),
  ...quantities.map((quantity) => ({
    name: `rig_trend_${quantity}`,
    tags: ['node', 'channel', 'period'],
    fields: [...ends(quantity, 'min', 'max', 'mean', 'last', 'sd'), ...integer('count', 'worst')],
    meaning: 'one channel over a minute (`period` 1m) or an hour (1h), at its start',
  })),
  {
    name: 'rig_metric',
    tags: ['node', 'leg', 'valve', 'metric', 'unit', 'revision'],
    fields: [...float('value', 'low', 'high', 'uncertainty'), ...string('event')],
    meaning:
      'one number of a verdict, at the trip; `low` to `high` is its 95 % interval, `uncertainty` the standard uncertainty (a normal spread taken: interval / 3.92); withheld numbers are no points',
  },
  {
    name: 'rig_verdict',
    tags: ['node', 'leg', 'valve', 'class', 'revision'],
    fields: [...integer('measured', 'withheld', 'flags'), ...string('event', 'words')],
    meaning: 'a leg that flowed, at the trip: its class and how many numbers and flags the verdict has',
  },
  {
    name: 'rig_flag',
    tags: ['node', 'leg', 'code', 'revision'],
    fields: [...integer('present'), ...string('event', 'text')],
    meaning: 'one flag of a verdict, at the trip',
  },
  {
    name: 'rig_trip',
    tags: ['node', 'source'],
    fields: [...integer('declared'), ...string('event')],
    meaning: 'a trip was declared, at the trip; its record is still open',
  },
  {
    name: 'rig_event',
    tags: ['node', 'source'],
    fields: [...integer('closed'), ...string('event', 'closed_because', 'trouble')],
    meaning: 'an event is closed, at the trip',
  },
  {
    name: 'rig_link',
    tags: ['node', 'line', 'driver'],
    fields: [...integer('open'), ...string('state', 'why')],
    meaning: 'state of a line, when it changes and once a minute',
  },
  {
    name: 'rig_counter',
    tags: ['node', 'line', 'counter'],
    fields: integer('value'),
    meaning: 'one counter of a line since the recorder started, with each `rig_link`',
  },
  {
    name: 'rig_phase',
    tags: ['node', 'phase'],
    fields: integer('present'),
    meaning: 'what the rig does, when it changes and once a minute',
  },
  {
    name: 'rig_alarm',
    tags: ['node', 'key'],
    fields: [...integer('active'), ...string('what', 'remedy')],
    meaning: 'a trouble came or stands (1, once a minute), or went (0)',
  },
  {
    name: 'rig_sink',
    tags: ['node', 'sink', 'receiver'],
    fields: [...integer('up', 'waiting', 'delivered', 'rejected', 'shed'), ...string('state', 'why')],
    meaning:
      'a receiver of the station, when its state changes and once a minute: messages that wait for it, and since it was configured those that it has, those in the dead letters and those given up because the outbox was full',
  },
  {
    name: 'rig_probe',
    tags: ['node'],
    fields: integer('present'),
    meaning: 'sent only after a line was refused, to tell a bad line from a server that refuses everything',
  },
];

/** The table as README shows it: those of channels once, with `<quantity>` and `<unit>`. */
export function measurementTable(): string {
  const general = (text: string) => text.replace(/_pressure$/, '_<quantity>').replace(/_Pa$/, '_<unit>');
  const isRepeated = (name: string) =>
    quantities.some((quantity) => quantity !== 'pressure' && name.endsWith(`_${quantity}`));
  const rows = measurements
    .filter(({ name }) => !isRepeated(name))
    .map(({ name, tags, fields, meaning }) => {
      const list = fields.map((field) => `${general(field.name)} (${field.type})`).join(', ');
      return `| \`${general(name)}\` | ${tags.join(', ')} | ${list} | ${meaning} |`;
    });
  return ['| measurement | tags | fields | one point is |', '| --- | --- | --- | --- |', ...rows].join('\n');
}
