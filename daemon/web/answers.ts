/**
 * THE schema of what the API answers about the rig, its lines and its receivers; events and trends have files of their own. The
 * description in OpenAPI and the types of `wire.ts` are made of it. A test holds real answers to it with no key more than it names.
 */
import Type from 'typebox';
import { counters, number, oneOf, orNull, text } from './schema.ts';

export const samplingAnswer = Type.Object({
  rate_Hz: number('of the outlet channel'),
  needed_Hz: number('eight samples on the plateau; with fewer a peak is indicative only'),
  recommended_Hz: number('twenty samples on the plateau'),
  plateau_s: number('from the step to its echo: 2 (L - x) / a'),
  samples: number('on the plateau at rate_Hz'),
  responseTime_s: number('of sensor and filter'),
});

export const channelAnswer = Type.Object({
  id: text('Tag.'),
  name: text(),
  quantity: text(),
  unit: text('SI unit of every number of this channel; pressure is gauge.'),
  displayUnit: text('Unit to show.'),
  leg: orNull(Type.String()),
  role: oneOf(['outlet', 'inlet', 'mid', 'meter', 'position', 'tank', 'contact', 'pressure-switch', 'other']),
  range: Type.Unsafe<readonly [number, number]>(Type.Array(Type.Number(), { minItems: 2, maxItems: 2 })),
});

export const legAnswer = Type.Object({
  id: text(),
  name: text(),
  bore_m: number(),
  length_m: number('valve seat to the end that reflects'),
  waveSpeed_mps: number(),
  waveSpeedHalfWidth_mps: number('of its 95 % interval'),
  inertiaRatio: number('effective over geometric length of the column'),
  sampling: orNull(samplingAnswer),
  rating_Pa: orNull(Type.Number()),
  valve: Type.Object({ id: text(), type: text(), size: text(), serial: text(), settings: text() }),
});

export const rigAnswer = Type.Object({
  name: text(),
  place: text(),
  software: text(),
  channels: Type.Array(channelAnswer),
  legs: Type.Array(legAnswer),
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
  state: oneOf(['connecting', 'up', 'down', 'stopped']),
  since_ms: number('since 1970'),
  why: text('Why it is down; empty otherwise.'),
  nextTry_ms: orNull(number('when it is tried again; null when it is not down, or is being tried')),
  waiting: number('messages that wait for it, an upper bound'),
  oldest_ms: orNull(number('instant of the oldest waiting message, since 1970')),
  counters,
});

const downTime = Type.Object({
  kind: Type.Literal('no-recorder'),
  after: text('The run of the recorder before it.'),
  from_ms: number('last durable sample, since 1970'),
  to_ms: number('first sample after it, since 1970'),
  isClean: Type.Boolean({ description: 'The run before had ended in order.' }),
  pump: oneOf(
    ['stopped', 'running', 'at-rest', 'unknown'],
    'stopped (a trip was not recorded), running (before and after), at-rest (before) or unknown',
  ),
});

const lostTrip = Type.Object({
  kind: Type.Literal('trip-lost'),
  event: text('Id that was declared.'),
  source: oneOf(['contact', 'pressure-switch', 'pressure-knee', 'surge', 'window'], 'source of the trip'),
  at_ms: number('trip instant, since 1970'),
  why: text(),
});

export const gapAnswer = Type.Union([downTime, lostTrip]);

const budget = Type.Object({
  carried_Hz: orNull(number('what the wire could carry of the plan, in samples a second')),
  asked_Hz: number('samples a second'),
  reached_Hz: orNull(number('samples a second over the last `span_s`')),
  samplesLost: number('in the last `span_s`'),
  span_s: number('length of the window'),
});

export const lineAnswer = Type.Object({
  line: text(),
  driver: text(),
  link: Type.Object({
    state: oneOf([
      'opening',
      'open',
      'reconnecting',
      'absent',
      'busy',
      'denied',
      'silent',
      'ended',
      'stopped',
    ]),
    since_s: number("on the recorder's clock"),
    why: text('empty when open'),
    nextTry_s: Type.Optional(number('next try')),
  }),
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
  budget: Type.Optional(budget),
});

const calibration = Type.Object({
  version: number('1 is the oldest of the channel'),
  from_ms: number('since 1970'),
  due_ms: orNull(number('since 1970')),
  drift: orNull(
    Type.Object({
      value: number('what it found wrong under the one before, where that is largest in the range, in SI'),
      days: number('between the two'),
      isLarge: Type.Boolean(),
    }),
  ),
});

export const channelStatusAnswer = Type.Object({
  channel: text(),
  class: oneOf(
    ['failure', 'function-check', 'out-of-specification', 'maintenance-required', 'good'],
    'status class as in NE 107',
  ),
  text: text('what is the matter, for a technician; empty when there is nothing to say'),
  calibration: Type.Optional(calibration),
});

export const troubleAnswer = Type.Object({
  key: text('The same for as long as it stands.'),
  since_ms: number('since 1970'),
  what: text(),
  remedy: text('What to do.'),
});

export const statusAnswer = Type.Object({
  phase: oneOf(
    ['waiting', 'filling', 'running', 'tripped', 'recording', 'fault', 'analysing', 'recorder-gone'],
    'analysing: the record is closed, its verdict is being made',
  ),
  openNetwork: Type.Optional(text('The address that other machines reach though there are no users.')),
  tripIn_s: orNull(Type.Number()),
  lines: Type.Array(lineAnswer),
  counters,
  troubles: Type.Array(troubleAnswer, { description: 'What is wrong now, oldest first.' }),
  sinks: Type.Optional(Type.Array(sinkAnswer, { description: 'Absent when nothing is published.' })),
  gaps: Type.Optional(
    Type.Array(gapAnswer, {
      description: 'The newest 20 times without a recorder and lost trips, oldest first; gaps.jsonl has all.',
    }),
  ),
  channels: Type.Optional(
    Type.Array(channelStatusAnswer, { description: 'Instruments with a current loop or a calibration.' }),
  ),
});
