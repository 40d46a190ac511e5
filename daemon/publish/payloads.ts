/**
 * Schema of every payload: the types of `messages.ts` are made of it, and the JSON Schema of every topic. JSON as it stands: these
 * names are what a receiver sees.
 */
import Type from 'typebox';
import type { PublishKind } from '../../config/publish.ts';
import type { QuantityKind } from '../../config/rig.ts';
import type { LinkState } from '../../drivers/driver.ts';
import { verdictSchema } from '../analysis/verdict.ts';
import type { RigPhase } from '../recorder/messages.ts';

const id = (description: string) => Type.String({ minLength: 1, description });
const text = (description: string) => Type.String({ description });
const orNull = (description: string) => Type.Union([Type.Number(), Type.Null()], { description });
const time_ms = (description: string) =>
  Type.Number({ description: `${description}, in ms since 1970, UTC.` });
const closed = { additionalProperties: false };

const rollup = {
  channel: id('Name of the channel.'),
  quantity: Type.Unsafe<QuantityKind>(id('Decides the unit: Pa (gauge), m/s, m3/s, m, K, rad/s, ratio.')),
  min: orNull('SI units.'),
  max: orNull('SI units.'),
  mean: orNull('SI units.'),
  last: orNull('Of the newest sample; null in trends.'),
  count: Type.Integer({ minimum: 0, description: 'Samples in the numbers.' }),
  worst: Type.Enum(['good', 'suspect', 'clipped', 'invalid'], { description: 'Worst sample of the period.' }),
};

const summary = Type.Object(
  {
    kind: Type.Literal('summary'),
    period_s: Type.Literal(1),
    channels: Type.Array(Type.Object(rollup, closed)),
  },
  { description: 'Every channel over one second; `ts` is its start.', ...closed },
);

const trend = Type.Object(
  {
    kind: Type.Literal('trend'),
    period_s: Type.Enum([60, 3600]),
    channels: Type.Array(
      Type.Object({ ...rollup, sd: orNull('Standard deviation of the samples.') }, closed),
    ),
  },
  {
    description:
      'Channels over a minute or an hour; `ts` is its start. A later message for the same period replaces it.',
    ...closed,
  },
);

const trip = Type.Object(
  { kind: Type.Literal('trip'), event: id('Event.'), source: id('What declared it.') },
  {
    description:
      'A trip was declared at `ts`; its record is still open. A notice: it may be missing, its event never is.',
    ...closed,
  },
);

const event = Type.Object(
  {
    kind: Type.Literal('event'),
    event: id('Event.'),
    source: id('What declared it.'),
    closedBecause: Type.String(),
    trouble: Type.Union([Type.String(), Type.Null()], { description: 'Why there is no verdict.' }),
  },
  { description: 'An event is closed and safe on the station; `ts` is the trip.', ...closed },
);

const verdict = Type.Object(
  { kind: Type.Literal('verdict'), event: id('Event.'), verdict: verdictSchema },
  {
    description:
      'One revision of the verdict of an event; `ts` is the trip. A later one has a higher `revision`.',
    ...closed,
  },
);

const link = Type.Object(
  {
    kind: Type.Literal('link'),
    line: id('Name of the line.'),
    driver: id('Its driver.'),
    state: Type.Unsafe<LinkState['state']>(id('`open` when all is well.')),
    since_ms: time_ms('Since when'),
    why: text('What is wrong; empty when open.'),
    counters: Type.Record(Type.String(), Type.Number(), { description: 'Since the recorder started.' }),
  },
  { description: 'State of one line of instruments, when it changes and once a minute.', ...closed },
);

const phase = Type.Object(
  {
    kind: Type.Literal('phase'),
    phase: Type.Unsafe<RigPhase | 'analysing' | 'recorder-gone'>(id('For example `running`.')),
  },
  { description: 'What the rig does, when it changes and once a minute.', ...closed },
);

const alarm = Type.Object(
  {
    kind: Type.Literal('alarm'),
    key: id('The same while the trouble lasts.'),
    isActive: Type.Boolean(),
    since_ms: time_ms('Since when'),
    what: text('What is wrong.'),
    remedy: text('What to do.'),
  },
  {
    description:
      'Something is wrong (repeated once a minute while it lasts) or has cleared. Not repeated for 2 minutes: treat as cleared.',
    ...closed,
  },
);

const sink = Type.Object(
  {
    kind: Type.Literal('sink'),
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
  {
    description: 'A receiver of the station and what waits for it, when its state changes and once a minute.',
    ...closed,
  },
);

/** Told apart by `kind`; verdicts may grow keys, the others do not. */
export const payloadSchemas = {
  summary,
  trend,
  trip,
  event,
  verdict,
  link,
  phase,
  alarm,
  sink,
} satisfies Readonly<Record<PublishKind, unknown>>;
