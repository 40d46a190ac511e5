/** THE schema of what the API answers about events, and of the messages of the live socket. */
import Type from 'typebox';
import { verdictSchema } from '../analysis/verdict.ts';
import { rigAnswer, statusAnswer } from './answers.ts';
import { number, orNull, text } from './schema.ts';

const eventRow = {
  id: text(),
  wall_ms: number('trip instant, since 1970'),
  source: text('source of the trip'),
  closedBecause: text(),
  traceRemoved: Type.Optional(
    Type.Object(
      { at_ms: number('since 1970'), why: text() },
      { description: 'Retention has removed the samples; the verdict stays.' },
    ),
  ),
  sameTripAs: Type.Optional(
    text('A window kept round the trip of this event: the same trip, and not counted a second time.'),
  ),
  trouble: Type.Optional(text('Why there is no verdict yet, or what else is wrong with the record.')),
  verdict: orNull(verdictSchema),
  shape: orNull(
    Type.Object(
      {
        from_s: number('after the trip'),
        to_s: number('after the trip'),
        minmax_Pa: Type.Array(orNull(Type.Number()), {
          description: 'min, max of equal slices; null where samples are missing',
        }),
      },
      { description: 'Outlet pressure of the active leg round the trip, for a small picture.' },
    ),
  ),
};

export const eventRowAnswer = Type.Object(eventRow);

export const eventsAnswer = Type.Object({
  events: Type.Array(eventRowAnswer, {
    description: 'Newest first; velocity histories are left out here.',
  }),
});

const rebuilt = Type.Object(
  {
    reason: text(),
    at_ms: number('since 1970'),
    missing: Type.Array(Type.Object({ line: text(), group: text(), from_s: number(), to_s: number() }), {
      description: "On the recorder's clock, as `window`.",
    }),
    noRecorder: orNull(Type.Object({ from_ms: number('since 1970'), to_ms: number('since 1970') })),
  },
  { description: 'The recorder had died: made from the disk ring; what it lacks.' },
);

export const eventAnswer = Type.Object({
  ...eventRow,
  trip_s: number("trip instant on the recorder's clock; times of the trace are relative to it"),
  window: Type.Object({ from_s: number(), to_s: number() }),
  rebuilt: Type.Optional(rebuilt),
  rig: rigAnswer,
});

export const traceAnswer = Type.Object({
  channels: Type.Array(
    Type.Object({
      id: text(),
      time_s: Type.Array(Type.Number(), { description: 'after the trip' }),
      min: Type.Array(orNull(Type.Number())),
      max: Type.Array(orNull(Type.Number())),
    }),
  ),
});

/** A text message of `/api/live`. */
export const liveMessage = Type.Union([
  Type.Object({ kind: Type.Literal('status'), status: statusAnswer }),
  Type.Object({ kind: Type.Literal('trip'), event: text(), source: text(), time_s: number() }),
  Type.Object({ kind: Type.Literal('event'), event: eventRowAnswer }),
]);
