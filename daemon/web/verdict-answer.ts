/** The verdict in the description of the API. */
import Type from 'typebox';
import { metricNames, metrics } from '../analysis/metrics.ts';

const number = (description: string) => Type.Number({ description });
const text = (description: string) => Type.String({ description });

/** A number with its 95 % interval, or the reason why there is none. */
const resultAnswer = Type.Union([
  Type.Object(
    {
      value: number('SI'),
      unit: text('SI unit'),
      low: number('lower end of the 95 % interval'),
      high: number('upper end; the interval may be lopsided'),
      method: text('how it was found'),
      from_s: Type.Union([Type.Number(), Type.Null()]),
      to_s: Type.Union([Type.Number(), Type.Null()]),
      budget: Type.Optional(
        Type.Array(
          Type.Object({
            source: text('where the uncertainty comes from'),
            share: number('of the variance, 0 to 1'),
            effect: number('of one standard uncertainty of the source'),
          }),
        ),
      ),
    },
    { additionalProperties: true },
  ),
  Type.Object(
    { value: Type.Null(), reason: text('why the number is withheld') },
    { additionalProperties: true },
  ),
]);

/** `surge (Pa): Peak less static after: ...`, a line a metric. */
const metricList = `Metric name to result:\n\n${metricNames
  .map((name) => `- \`${name}\` (${metrics[name].unit}): ${metrics[name].definition}`)
  .join('\n')}`;

export const verdictAnswer = Type.Object(
  {
    event: text('event id'),
    revision: Type.Integer({ minimum: 1 }),
    software: text('version that judged'),
    reason: text('why this revision was made'),
    tripSource: text('contact, pressure-switch, pressure-knee or none'),
    legs: Type.Array(
      Type.Object(
        {
          leg: text('id'),
          valve: text('id'),
          active: Type.Boolean({ description: 'false: not flowing before the trip, nothing to judge' }),
          results: Type.Record(Type.String(), resultAnswer, { description: metricList }),
          severity: Type.Object({
            class: text('none, mild, severe, at-limit or unknown'),
            words: text('for people'),
            rule: text('where the limits come from'),
            mild_mps: number('limit'),
            severe_mps: number('limit'),
          }),
          flags: Type.Array(
            Type.Object({
              code: text('never changes its meaning'),
              text: text('with the numbers in it'),
              withholds: Type.Array(Type.String(), { description: 'metrics made meaningless' }),
            }),
          ),
          definitions: Type.Optional(
            Type.Array(
              Type.Object({
                quantity: text('plain name of a figure'),
                option: text('as the rig file names it'),
                result: text('metric that stands for it'),
                words: text('the definition'),
              }),
            ),
          ),
          waveSpeeds: Type.Optional(
            Type.Object(
              { ringDown: resultAnswer, twoTaps: resultAnswer },
              { description: 'the wave speed by either way; `waveSpeed` is the surer one' },
            ),
          ),
          sentence: text('for a visitor'),
          velocity: Type.Object({
            time_s: Type.Array(Type.Number(), { description: 'after the trip' }),
            value: Type.Array(Type.Number(), { description: 'm/s' }),
          }),
        },
        { additionalProperties: true },
      ),
    ),
  },
  { additionalProperties: true },
);
