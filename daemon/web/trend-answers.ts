/** THE schema of what the API answers about trends, wave speeds and the days of a leg. */
import Type from 'typebox';
import type { TrendRow } from '../trends/trends.ts';
import { number, oneOf, orNull, text } from './schema.ts';

const mps = orNull(Type.Number());

export const waveSpeedDay = Type.Object({
  day: text('UTC, such as 2026-03-02'),
  events: Type.Integer(),
  median_mps: number("of the day's ring-downs"),
  low_mps: number('middle of the lower ends of their 95 % intervals'),
  high_mps: number('middle of the upper ends'),
  expected_mps: number('without gas, as the rig was taken for'),
  freeGas_ratio: orNull(
    number('share of the volume at the pressure of the leg at rest; null where no mixture explains it'),
  ),
  freeGasLow_ratio: mps,
  freeGasHigh_ratio: mps,
  ewma_mps: mps,
  cusumHigh_mps: mps,
  cusumLow_mps: mps,
  side: orNull(oneOf(['inside', 'above', 'below'], 'whether EWMA or CUSUM signals, and where to')),
});

export const waveSpeedAnswer = Type.Object({
  leg: text(),
  days: Type.Array(waveSpeedDay, { description: 'Oldest first; chart values are null while it learns.' }),
  chart: orNull(
    Type.Object({
      target_mps: number(),
      deviation_mps: number(),
      ewmaLow_mps: number(),
      ewmaHigh_mps: number(),
      decision_mps: number('CUSUM sums signal above this'),
    }),
  ),
  baselineDays: Type.Integer({ description: 'The chart is null until so many days are known.' }),
  gasLimit_ratio: number(),
  warning: orNull(text('one sentence about the newest day')),
});

export const trendsAnswer = Type.Object({ channels: Type.Array(Type.String()) });

export const trendAnswer = Type.Object({
  channel: text(),
  step_s: number('length of the stretches'),
  rows: Type.Array(Type.Unsafe<TrendRow>(Type.Array(orNull(Type.Number()), { minItems: 7, maxItems: 7 })), {
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

export const legDay = Type.Object({
  day: text('UTC, such as 2026-11-25'),
  trips: Type.Integer(),
  severe: Type.Integer({ description: 'trips of the class severe' }),
  worstSurge_Pa: ofEvent,
  worstReverseVelocity_mps: ofEvent,
  closingTime_s: orNull(Type.Object({ mean: number(), count: Type.Integer() })),
  waveSpeed_mps: orNull(number("median of the day's ring-downs")),
  cycles: orNull(number('rainflow cycles of the outlet pressure (ASTM E1049-85)')),
  largestRange_Pa: orNull(Type.Number()),
  damage_ratio: orNull(
    number("Miner's sum of the day, a screening estimate; null where no fatigue line is known"),
  ),
  downtime_s: orNull(number('time of the day without a sample of the outlet pressure')),
});

export const legDaysAnswer = Type.Object({ leg: text(), days: Type.Array(legDay) });
