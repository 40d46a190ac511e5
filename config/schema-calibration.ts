/** The part of a channel's schema that describes its calibrations and its current loop. */
import Type, { type Static } from 'typebox';
import { Counts, Instant, Interval, later } from './schema-types.ts';

const strict = { additionalProperties: false } as const;

/** Dated calibrations of one channel. */
export const Calibrations = Type.Array(
  Type.Object(
    {
      from: Instant('It holds from here on, until the next one.'),
      points: Type.Optional(
        Type.Array(
          Type.Array(later('First the reference, then what the channel showed.', ['10 bar']), {
            minItems: 2,
            maxItems: 2,
          }),
          { minItems: 2, maxItems: 200, description: 'Two points or more: [reference, shown].' },
        ),
      ),
      zero: Type.Optional(
        Type.Object(
          {
            reading: later('What the channel showed.', ['0.012 bar']),
            reference: Type.Optional(later('What it should have shown; 0 when left out.', ['0 bar'])),
          },
          { ...strict, description: 'One point, with the loop at rest: moves the zero and keeps the slope.' },
        ),
      ),
      repeatability: Type.Optional(
        later(
          'Standard deviation of one point. Left out: found from the residuals of three points or more.',
          ['0.003 bar'],
        ),
      ),
      referenceUncertainty: Type.Optional(
        later(
          "Standard uncertainty of the reference, from its certificate (half of the certificate's k = 2).",
          ['0.002 bar'],
        ),
      ),
      certificate: Type.String({ default: '', description: 'Number of the certificate.' }),
      due: Type.Optional(Instant('When the next calibration is due.')),
      by: Type.String({ default: '', description: 'Who did it.' }),
      note: Type.String({ default: '', description: 'Anything else.' }),
    },
    strict,
  ),
  { minItems: 1, maxItems: 100, description: 'Dated calibrations; the newest one that has begun applies.' },
);

/** Current of a 4-20 mA loop. */
export const CurrentLoop = Type.Object(
  {
    raw: Counts('Two raw numbers; `current` says what they mean.'),
    current: Interval('current', {
      min: '-100 mA',
      max: '100 mA',
      description: 'Currents at the two raw numbers.',
    }),
  },
  {
    ...strict,
    description:
      'A 4-20 mA transmitter: its failure signals are recognised. Without `scaling`, 4 to 20 mA are the `range`.',
  },
);

export type CalibrationText = Static<typeof Calibrations>[number];
export type CurrentLoopText = Static<typeof CurrentLoop>;
