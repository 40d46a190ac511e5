/**
 * Schemas of what the API answers: the forms of `wire.ts` for the description in OpenAPI. A test holds real answers
 * against them, so that no field goes undescribed.
 */
import Type, { type TSchema } from 'typebox';
import { verdictAnswer } from './verdict-answer.ts';

export const text = (description = '') => Type.String(description === '' ? {} : { description });
export const number = (description = '') => Type.Number(description === '' ? {} : { description });
export const orNull = (schema: TSchema) => Type.Union([schema, Type.Null()]);
const counters = Type.Record(Type.String(), Type.Number(), {
  description: 'Counts since the process started; they only grow.',
});

/** What every refusal carries. */
export const problem = Type.Object({ error: text('What is wrong, and what is allowed or to be done.') });

const sampling = Type.Object({
  rate_Hz: number('of the outlet channel'),
  needed_Hz: number('for a peak to be reported'),
  recommended_Hz: number(),
  plateau_s: number('from the step to its echo: 2 (L - x) / a'),
  samples: number('on the plateau at rate_Hz'),
  responseTime_s: number('of sensor and filter'),
});

export const rigAnswer = Type.Object({
  name: text(),
  place: text(),
  software: text(),
  channels: Type.Array(
    Type.Object({
      id: text('Tag.'),
      name: text(),
      quantity: text(),
      unit: text('SI unit of every number of this channel; pressure is gauge.'),
      displayUnit: text('Unit to show.'),
      leg: orNull(Type.String()),
      role: text('outlet, inlet, mid, meter, position, tank, contact, pressure-switch or other'),
      range: Type.Array(Type.Number(), { minItems: 2, maxItems: 2 }),
    }),
  ),
  legs: Type.Array(
    Type.Object({
      id: text(),
      name: text(),
      bore_m: number(),
      length_m: number('valve seat to the end that reflects'),
      waveSpeed_mps: number(),
      waveSpeedHalfWidth_mps: number('of its 95 % interval'),
      inertiaRatio: number('effective over geometric length of the column'),
      sampling: orNull(sampling),
      rating_Pa: orNull(Type.Number()),
      valve: Type.Object({ id: text(), type: text(), size: text(), settings: text() }),
    }),
  ),
  tripSetPoint_Pa: orNull(Type.Number()),
  density_kgpm3: number(),
  severity: Type.Object({ version: text(), mild_mps: number(), severe_mps: number() }),
  anchor: Type.Object({
    time_s: number("the recorder's clock"),
    wall_ms: number('since 1970 at that instant'),
  }),
});

export const sinkAnswer = Type.Object({
  name: text(),
  kind: text(),
  address: text('Where to; no secret in it.'),
  state: text('connecting, up, down or stopped'),
  since_ms: number('since 1970'),
  why: text('Why it is down; empty otherwise.'),
  nextTry_ms: orNull(Type.Number()),
  waiting: number('messages that wait for it, an upper bound'),
  oldest_ms: orNull(Type.Number({ description: 'Instant of the oldest waiting message, since 1970.' })),
  counters,
});

const downTime = Type.Object(
  {
    kind: Type.Literal('no-recorder'),
    after: text('The run of the recorder before it.'),
    from_ms: number('last durable sample, since 1970'),
    to_ms: number('first sample after it, since 1970'),
    isClean: Type.Boolean({ description: 'The run before had ended in order.' }),
    pump: text('stopped (a trip was not recorded), running (before and after), at-rest (before) or unknown'),
  },
  { additionalProperties: true },
);
const lostTrip = Type.Object(
  {
    kind: Type.Literal('trip-lost'),
    event: text('Id that was declared.'),
    source: text('source of the trip'),
    at_ms: number('trip instant, since 1970'),
    why: text(),
  },
  { additionalProperties: true },
);

export const statusAnswer = Type.Object({
  phase: text('waiting, filling, running, tripped, recording, fault, analysing or recorder-gone'),
  openNetwork: Type.Optional(text('The address that other machines reach though there are no users.')),
  tripIn_s: orNull(Type.Number()),
  lines: Type.Array(
    Type.Object(
      {
        line: text(),
        driver: text(),
        link: Type.Object(
          {
            state: text(),
            since_s: number("on the recorder's clock"),
            why: text('empty when open'),
            nextTry_s: Type.Optional(number('next try')),
          },
          { additionalProperties: true },
        ),
        counters,
        readings: Type.Optional(Type.Record(Type.String(), Type.Number())),
        silentDevices: Type.Optional(
          Type.Array(
            Type.Object({
              id: text(),
              since_s: number("on the recorder's clock"),
              nextTry_s: number('next try'),
            }),
          ),
        ),
        budget: Type.Optional(
          Type.Object({
            carried_Hz: orNull(number('what the wire could carry of the plan, in samples a second')),
            asked_Hz: number('samples a second'),
            reached_Hz: orNull(number('samples a second over the last `span_s`')),
            samplesLost: number('in the last `span_s`'),
            span_s: number('length of the window'),
          }),
        ),
      },
      { additionalProperties: true },
    ),
  ),
  counters,
  troubles: Type.Array(
    Type.Object({
      key: text('The same for as long as it stands.'),
      since_ms: number('since 1970'),
      what: text(),
      remedy: text('What to do.'),
    }),
  ),
  sinks: Type.Optional(Type.Array(sinkAnswer)),
  gaps: Type.Optional(
    Type.Array(Type.Union([downTime, lostTrip]), {
      description: 'The newest 20 times without a recorder and lost trips, oldest first; gaps.jsonl has all.',
    }),
  ),
  channels: Type.Optional(
    Type.Array(
      Type.Object(
        { channel: text(), class: text('status class as in NE 107'), text: text() },
        { additionalProperties: true },
      ),
    ),
  ),
});

const eventRow = {
  id: text(),
  wall_ms: number('trip instant, since 1970'),
  source: text('source of the trip'),
  closedBecause: text(),
  traceRemoved: Type.Optional(Type.Object({ at_ms: number('since 1970'), why: text() })),
  sameTripAs: Type.Optional(
    text('A window kept round the trip of this event: the same trip, and not counted a second time.'),
  ),
  trouble: Type.Optional(text('Why there is no verdict yet, or what else is wrong with the record.')),
  verdict: orNull(verdictAnswer),
  shape: orNull(
    Type.Object({
      from_s: number('after the trip'),
      to_s: number('after the trip'),
      minmax_Pa: Type.Array(orNull(Type.Number()), { description: 'min, max of equal slices' }),
    }),
  ),
};

export const eventsAnswer = Type.Object({
  events: Type.Array(Type.Object(eventRow, { additionalProperties: true }), {
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

export const eventAnswer = Type.Object(
  {
    ...eventRow,
    trip_s: number("trip instant on the recorder's clock; times of the trace are relative to it"),
    window: Type.Object({ from_s: number(), to_s: number() }),
    rebuilt: Type.Optional(rebuilt),
    rig: rigAnswer,
  },
  { additionalProperties: true },
);

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

const mps = orNull(Type.Number());

export const waveSpeedAnswer = Type.Object({
  leg: text(),
  days: Type.Array(
    Type.Object(
      {
        day: text('UTC'),
        events: Type.Integer(),
        median_mps: number(),
        low_mps: number(),
        high_mps: number(),
        expected_mps: number('without gas'),
        freeGas_ratio: orNull(
          Type.Number({ description: 'share of the volume at the pressure of the leg at rest' }),
        ),
        freeGasLow_ratio: mps,
        freeGasHigh_ratio: mps,
        ewma_mps: mps,
        cusumHigh_mps: mps,
        cusumLow_mps: mps,
        side: orNull(Type.String()),
      },
      { additionalProperties: true },
    ),
  ),
  chart: orNull(
    Type.Object({
      target_mps: number(),
      deviation_mps: number(),
      ewmaLow_mps: number(),
      ewmaHigh_mps: number(),
      decision_mps: number(),
    }),
  ),
  baselineDays: Type.Integer(),
  gasLimit_ratio: number(),
  warning: orNull(Type.String()),
});

export const trendAnswer = Type.Object({
  channel: text(),
  step_s: number('length of the stretches'),
  rows: Type.Array(Type.Array(orNull(Type.Number())), {
    description:
      'start in ms since 1970, min, max, mean, standard deviation (SI), samples, quality bits; stretches without a sample are left out',
  }),
});

const ofEvent = orNull(
  Type.Object({
    value: number('SI'),
    low: number('of the 95 % interval'),
    high: number('of the 95 % interval'),
    event: text('id'),
  }),
);

export const legDaysAnswer = Type.Object({
  leg: text(),
  days: Type.Array(
    Type.Object({
      day: text('UTC, such as 2026-11-25'),
      trips: Type.Integer(),
      severe: Type.Integer(),
      worstSurge_Pa: ofEvent,
      worstReverseVelocity_mps: ofEvent,
      closingTime_s: orNull(Type.Object({ mean: number(), count: Type.Integer() })),
      waveSpeed_mps: orNull(Type.Number()),
      cycles: orNull(Type.Number({ description: 'rainflow cycles of the outlet pressure (ASTM E1049-85)' })),
      largestRange_Pa: orNull(Type.Number()),
      damage_ratio: orNull(
        Type.Number({
          description: "Miner's sum of the day, a screening estimate; null where no fatigue line is known",
        }),
      ),
      downtime_s: orNull(Type.Number()),
    }),
  ),
});
