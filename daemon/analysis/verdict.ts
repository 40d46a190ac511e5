/**
 * What the analysis says of one leg in one event: schema and types in one. JSON as it stands: these names are the file, the API
 * and what receivers get. Types are read only.
 */
import Type from 'typebox';
import type { Frozen } from '../frozen.ts';
import { type MetricName, metricNames, metrics } from './metrics.ts';

const id = (description: string) => Type.String({ minLength: 1, description });
const text = (description: string) => Type.String({ description });
const number = (description: string) => Type.Number({ description });
const orNull = (description: string) => Type.Union([Type.Number(), Type.Null()], { description });

/**
 * Sources of uncertainty. `noise`, `sampling` and `method` (what formula, window and shape leave open) are drawn anew for
 * each number; every other one is the same quantity in all numbers of the leg.
 */
export const budgetSources = [
  'noise',
  'sampling',
  'sensor-lag',
  'sensor-delay',
  'calibration-offset',
  'calibration-slope',
  'density',
  'wave-speed',
  'length',
  'tap-distance',
  'inertia',
  'contact-delay',
  'contact-sampling',
  'pressure-knee',
  'meter-noise',
  'meter-lag',
  'meter-zero',
  'meter-slope',
  'static-level',
  'column-motion',
  'method',
] as const;

/** Its share of the variance (0 to 1) and what +1 standard uncertainty of it does, in the number's unit. */
const budgetPart = Type.Object({
  // Open, like the codes of flags: a later version may have more of them, and a receiver must not refuse those.
  source: Type.Unsafe<(typeof budgetSources)[number]>(text(`one of ${budgetSources.join(', ')}`)),
  share: number('of the variance, 0 to 1'),
  effect: number('of one standard uncertainty of the source'),
});

const measured = Type.Object({
  value: number('SI'),
  unit: text('SI unit of value, low and high'),
  low: number('lower end of the 95 % interval'),
  high: number('upper end; the interval may be lopsided'),
  method: text('how it was found'),
  from_s: orNull('begin of the window, in s after the trip'),
  to_s: orNull('end of the window, in s after the trip'),
  bound: Type.Optional(
    Type.Enum(['lower', 'upper'], {
      description:
        '`lower`: at least `low` by what was recorded, and at most `high` by what physics allows where samples are missing; `upper`: the other way round. Absent on a number that was measured whole.',
    }),
  ),
  budget: Type.Optional(
    Type.Array(budgetPart, {
      description: 'largest share first; absent on an exact number and in verdicts of older software',
    }),
  ),
});

const withheld = Type.Object({ value: Type.Null(), reason: text('why the number is withheld') });

const resultSchema = Type.Union([measured, withheld], {
  description: 'A number with its 95 % interval, or why there is none.',
});

/** Codes never change their meaning. */
export const flagCodes = [
  'sampling-too-slow',
  'sampling-marginal',
  'repeated-values',
  'sensor-slow',
  'clipped',
  'meter-lag-dominates',
  'samples-lost',
  'samples-missing',
  'softened-closure',
  'softened-unknown',
  'cavitation-suspected',
  'taps-disagree',
  'taps-swapped',
  'instruments-misaligned',
  'tapping-line-rings',
  'response-time-differs',
  'response-time-assumed',
  'fit-poor',
  'mains-hum',
  'valve-leaks',
  'no-reversal',
  'did-not-close',
  'no-measurable-slam',
  'multiple-impacts',
  'spikes-removed',
  'closed-before-reversal',
  'wave-speed-differs',
  'momentum-imbalance',
  'meter-lag-differs',
  'statics-differ',
  'tank-rise-differs',
  'no-contact',
  'no-meter',
  'no-inlet',
  'no-tank',
  'leg-idle',
] as const;

const flag = Type.Object({
  code: Type.Unsafe<(typeof flagCodes)[number]>(
    id(`never changes its meaning; one of ${flagCodes.join(', ')}`),
  ),
  text: text('one plain sentence with the numbers in it'),
  withholds: Type.Array(Type.Unsafe<MetricName | 'everything'>(Type.String()), {
    description: 'metrics that this flag made meaningless',
  }),
});

/** What stands under the plain name of a figure: the option of the rig file, the result it means, and how it is defined. */
const definition = Type.Object({
  quantity: Type.Enum(['static', 'peak', 'surge', 'reverseVelocity', 'closingTime', 'deceleration'], {
    description: 'plain name of a figure',
  }),
  option: text('as the rig file names it'),
  result: Type.Unsafe<MetricName>(text('metric that stands for it')),
  words: text('the definition'),
});

/** `surge` (Pa): peak less static after ..., a line a metric. */
const metricList = metricNames.map(
  (name) => `- \`${name}\` (${metrics[name].unit}): ${metrics[name].definition}`,
);

/** A verdict of older software may lack some. */
const resultsSchema = Type.Record(Type.String({ pattern: `^(${metricNames.join('|')})$` }), resultSchema, {
  description: `Metric name to result. Instants are in s after the trip, \`trip\` itself is on the clock of the record.\n\n${metricList.join('\n')}`,
});

const legSchema = Type.Object({
  leg: id('id of the leg'),
  valve: text('id of its check valve'),
  active: Type.Boolean({ description: 'false: not flowing before the trip, nothing to judge' }),
  results: Type.Unsafe<Record<MetricName, Frozen<typeof resultSchema>>>(resultsSchema),
  severity: Type.Object({
    class: Type.Enum(['none', 'mild', 'severe', 'at-limit', 'unknown']),
    words: text('for people, such as "severe slam (softened closure)"'),
    rule: text('where the limits come from'),
    mild_mps: number('limit'),
    severe_mps: number('limit'),
  }),
  flags: Type.Array(flag),
  definitions: Type.Optional(Type.Array(definition, { description: 'absent in verdicts of older software' })),
  waveSpeeds: Type.Optional(
    Type.Object(
      { ringDown: resultSchema, twoTaps: resultSchema },
      {
        description: 'the wave speed by either way; `waveSpeed` is the surer one. Absent in older verdicts.',
      },
    ),
  ),
  sentence: text('one sentence for a visitor, with the numbers in it'),
  velocity: Type.Object(
    {
      time_s: Type.Array(Type.Number(), { description: 'after the trip' }),
      value: Type.Array(Type.Number(), { description: 'm/s' }),
    },
    { description: 'by impulse, for drawing; at most 2000 points, empty where withheld or left out' },
  ),
});

/** The file that a record was read from, where it is an export of this program. */
const provenance = Type.Object({
  file: text('name of the file, without its folder'),
  exportOf: text('id of the event, as the file says; `window` for a stretch of the ring'),
  state: Type.Enum(['intact', 'edited', 'no hash'], {
    description: 'by the hash in the file; anything but `intact` was judged as a foreign recording',
  }),
  sha256: text('of the content as it was read'),
});

export const verdictSchema = Type.Object({
  event: id('id of the event'),
  revision: Type.Integer({ minimum: 1 }),
  software: text('version that judged'),
  reason: text('why this revision was made'),
  tripSource: Type.Enum(['contact', 'pressure-switch', 'pressure-knee', 'none'], {
    description: 'which source gave the trip instant',
  }),
  legs: Type.Array(legSchema),
  provenance: Type.Optional(provenance),
});

/** A number with its unit, its 95 % interval (may be lopsided), how it was found and in which window (s after the trip). */
export type Measured = Frozen<typeof measured>;
export type BudgetPart = Frozen<typeof budgetPart>;
export type BudgetSource = BudgetPart['source'];
/** A number that would mislead, or cannot be had. */
export type Withheld = Frozen<typeof withheld>;
export type Result = Measured | Withheld;
export type Flag = Frozen<typeof flag>;
/** Every metric of one leg, by the table. Instants are in s after the trip; `trip` itself is on the record's clock. */
export type LegResults = Readonly<Record<MetricName, Result>>;
export type DefinitionUsed = Frozen<typeof definition>;
/** `active` is false for a leg that was not flowing: it has no results worth showing. */
export type LegVerdict = Frozen<typeof legSchema>;
export type SeverityClass = LegVerdict['severity']['class'];
export type Provenance = Frozen<typeof provenance>;
/** `provenance`: of the command line only; the server judges event folders. */
export type Verdict = Frozen<typeof verdictSchema>;
