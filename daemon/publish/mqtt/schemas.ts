/** What receivers may rely on: one JSON Schema (2020-12) a topic. A test holds real messages to them and them to the written file. */
import Type, { type TSchema } from 'typebox';
import type { PublishKind } from '../../../config/publish.ts';
import { commandDefinitions } from './command-schemas.ts';

const id = (description: string) => Type.String({ minLength: 1, description });
const text = (description: string) => Type.String({ description });
const orNull = (description: string) => Type.Union([Type.Number(), Type.Null()], { description });
const time_ms = (description: string) =>
  Type.Number({ description: `${description}, in ms since 1970, UTC.` });
const closed = { additionalProperties: false };

/** What every message begins with. */
const head = {
  node: id('Name of the station.'),
  boot: id('Run of the recorder that the message comes from.'),
  seq: Type.Integer({
    minimum: 1,
    description:
      '(node, boot, seq) is never used for two messages: drop repeats by it. A jump alone is no loss.',
  }),
  ts: Type.String({ format: 'date-time', description: 'Wall time of the content, UTC.' }),
  historical: Type.Boolean({ description: 'It has waited for this broker, or for its connection.' }),
};

const rollup = {
  channel: id('Name of the channel.'),
  quantity: id('Decides the unit: Pa (gauge), m/s, m3/s, m, K, rad/s, ratio.'),
  min: orNull('SI units.'),
  max: orNull('SI units.'),
  mean: orNull('SI units.'),
  last: orNull('Of the newest sample; null in trends.'),
  count: Type.Integer({ minimum: 0, description: 'Samples in the numbers.' }),
  worst: Type.Enum(['good', 'suspect', 'clipped', 'invalid'], { description: 'Worst sample of the period.' }),
};

const result = Type.Union(
  [
    Type.Object({
      value: Type.Number(),
      unit: text('Unit of value, low and high.'),
      low: Type.Number({ description: 'Lower end of the 95 % interval.' }),
      high: Type.Number({ description: 'Upper end of the 95 % interval.' }),
      method: text('How it was found.'),
      from_s: orNull('Begin of the window, in s after the trip.'),
      to_s: orNull('End of the window, in s after the trip.'),
    }),
    Type.Object({ value: Type.Null(), reason: text('Why there is no number.') }),
  ],
  { description: 'A number with its 95 % interval, or why there is none.' },
);

const flag = Type.Object({
  code: id('Never changes its meaning.'),
  text: text('One sentence with the numbers in it.'),
  withholds: Type.Array(Type.String(), { description: 'Results that this flag made meaningless.' }),
});

const leg = Type.Object({
  leg: id('Name of the leg.'),
  valve: text('Its check valve.'),
  active: Type.Boolean({ description: 'False: it did not flow, and has no results worth showing.' }),
  results: Type.Record(Type.String(), result),
  severity: Type.Object({
    class: Type.Enum(['none', 'mild', 'severe', 'at-limit', 'unknown']),
    words: Type.String(),
    rule: Type.String(),
    mild_mps: Type.Number(),
    severe_mps: Type.Number(),
  }),
  flags: Type.Array(flag),
  sentence: text('The leg in one sentence.'),
});

/** Told apart by `kind`; verdicts may grow keys, the others do not. */
const payloads: Readonly<
  Record<PublishKind, { readonly about: string; readonly keys: Record<string, TSchema> }>
> = {
  summary: {
    about: 'Every channel over one second; `ts` is its start.',
    keys: { period_s: Type.Literal(1), channels: Type.Array(Type.Object(rollup, closed)) },
  },
  trend: {
    about:
      'Channels over a minute or an hour; `ts` is its start. A later message for the same period replaces it.',
    keys: {
      period_s: Type.Enum([60, 3600]),
      channels: Type.Array(
        Type.Object({ ...rollup, sd: orNull('Standard deviation of the samples.') }, closed),
      ),
    },
  },
  trip: {
    about:
      'A trip was declared at `ts`; its record is still open. A notice: it may be missing, its event never is.',
    keys: { event: id('Event.'), source: id('What declared it.') },
  },
  event: {
    about: 'An event is closed and safe on the station; `ts` is the trip.',
    keys: {
      event: id('Event.'),
      source: id('What declared it.'),
      closedBecause: Type.String(),
      trouble: Type.Union([Type.String(), Type.Null()], { description: 'Why there is no verdict.' }),
    },
  },
  verdict: {
    about: 'One revision of the verdict of an event; `ts` is the trip. A later one has a higher `revision`.',
    keys: {
      event: id('Event.'),
      verdict: Type.Object({
        event: id('Event.'),
        revision: Type.Integer({ minimum: 1 }),
        software: Type.String(),
        reason: text('Why this revision was made.'),
        tripSource: Type.Enum(['contact', 'pressure-switch', 'pressure-knee', 'none']),
        legs: Type.Array(leg),
      }),
    },
  },
  link: {
    about: 'State of one line of instruments, when it changes and once a minute.',
    keys: {
      line: id('Name of the line.'),
      driver: id('Its driver.'),
      state: id('`open` when all is well.'),
      since_ms: time_ms('Since when'),
      why: text('What is wrong; empty when open.'),
      counters: Type.Record(Type.String(), Type.Number(), { description: 'Since the recorder started.' }),
    },
  },
  phase: {
    about: 'What the rig does, when it changes and once a minute.',
    keys: { phase: id('For example `running`.') },
  },
  alarm: {
    about:
      'Something is wrong (repeated once a minute while it lasts) or has cleared. Not repeated for 2 minutes: treat as cleared.',
    keys: {
      key: id('The same while the trouble lasts.'),
      isActive: Type.Boolean(),
      since_ms: time_ms('Since when'),
      what: text('What is wrong.'),
      remedy: text('What to do.'),
    },
  },
  sink: {
    about: 'A receiver of the station and what waits for it, when its state changes and once a minute.',
    keys: {
      sink: id('Name of the receiver.'),
      receiver: id('Its kind.'),
      state: Type.Enum(['connecting', 'up', 'down', 'stopped']),
      since_ms: time_ms('Since when'),
      why: text('Why it is down; empty otherwise.'),
      waiting: Type.Integer({ minimum: 0, description: 'Messages that wait for it: an upper bound.' }),
      oldest_ms: orNull('Instant of the oldest of them, in ms since 1970, UTC; null when none waits.'),
      delivered: Type.Integer({ minimum: 0, description: 'Since it was first configured.' }),
      rejected: Type.Integer({ minimum: 0, description: 'In the dead letters, now or once.' }),
      shed: Type.Integer({ minimum: 0, description: 'Given up because the outbox was full.' }),
    },
  },
};

const status = Type.Union(
  [
    Type.Object({ state: Type.Literal('offline') }, closed),
    Type.Object(
      {
        state: Type.Literal('online'),
        node: head.node,
        boot: head.boot,
        software: Type.String(),
        ts: Type.String({ format: 'date-time', description: 'When the station connected, UTC.' }),
      },
      closed,
    ),
  ],
  { description: 'Whether the station is there. Retained; `offline` is also its last will.' },
);

/** Last level of the topic -> schema of its bodies. */
export function topicSchemas(): ReadonlyMap<PublishKind | 'status', TSchema> {
  const schemas = new Map<PublishKind | 'status', TSchema>([['status', status]]);
  for (const [kind, { about, keys }] of Object.entries(payloads) as [
    PublishKind,
    (typeof payloads)['trip'],
  ][]) {
    schemas.set(
      kind,
      Type.Object({ ...head, kind: Type.Literal(kind), ...keys }, { description: about, ...closed }),
    );
  }
  return schemas;
}

/** All of them as one document with a definition a topic, as it stands in config/mqtt.schema.json. */
export function topicSchemaText(): string {
  const document = {
    $schema: 'https://json-schema.org/draft/2020-12/schema',
    title:
      'What Tripwave publishes as JSON, by the last level of the topic; commands and answers where they are switched on',
    $defs: { ...Object.fromEntries(topicSchemas()), ...commandDefinitions() },
  };
  return `${JSON.stringify(document, null, 2)}\n`;
}
