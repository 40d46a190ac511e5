/**
 * Which of several trade definitions stands under the plain name of a figure. All of them are results of every verdict; a
 * rig chooses, and the verdict says what was chosen. Definitions in use: common practice, no source. With a sudden stop of
 * the pump they already differ by a few per cent, with a pump that runs down by up to a half (deceleration at reversal
 * over its mean), so a figure without its definition cannot be compared.
 */
import type { Definitions } from '../../../config/schema-definitions.ts';
import type { DefinitionUsed, LegResults } from '../verdict.ts';

type Meaning = readonly [result: keyof LegResults, words: string];

/** Every option: the result it means, and the definition in words. The severity class is judged by `equivalent` always. */
const meanings: { readonly [Q in keyof Definitions]: Readonly<Record<Definitions[Q], Meaning>> } = {
  static: {
    settled: ['staticAfter', 'outlet settled after the closing, taken 50 ms after seating'],
    running: ['staticBefore', 'outlet just before the trip, with flow'],
  },
  peak: {
    corrected: ['peak', 'largest outlet pressure, corrected for sampling, sensor and way to the seat'],
    sampled: ['peakRaw', 'largest sample of the outlet'],
  },
  surge: {
    'peak-over-settled': ['surge', 'corrected peak less the settled static'],
    'sampled-over-settled': ['surgeRaw', 'largest sample less the settled static'],
    'peak-over-running': ['surgeOverBefore', 'corrected peak less the pressure just before the trip'],
    'seating-step': ['seatingStep', 'outlet just after seating less just before'],
  },
  reverseVelocity: {
    equivalent: ['equivalentReverseVelocity', 'the velocity whose sudden stop makes the surge'],
    'at-seating': ['velocityAtSeating', 'seating step over density and wave speed'],
    largest: ['largestReverseVelocity', 'fastest reverse flow in the pipe before seating'],
    inlet: ['inletReverseVelocity', 'pressure step before the valve over density and wave speed'],
  },
  closingTime: {
    'trip-to-seating': ['closingTime', 'from the trip to the seating'],
    'trip-to-reversal': ['stopTime', 'from the trip to the reversal of the flow'],
    'reversal-to-seating': ['reverseFlowTime', 'from the reversal of the flow to the seating'],
    'disc-travel': ['discTravelTime', 'from the first move of the disc to the seat'],
  },
  deceleration: {
    mean: ['decelerationMean', 'velocity before the trip over the time to the reversal'],
    'at-reversal': ['decelerationAtReversal', 'slope of the velocity over 20 ms about the reversal'],
    meter: ['decelerationMeter', 'mean to the reversal by the lag-corrected meter alone'],
  },
};

/** The chosen definitions with the results they mean, in the order of printing. Dimensionless; never throws. */
export function definitionsUsed(chosen: Definitions): DefinitionUsed[] {
  const used = <Q extends keyof Definitions>(quantity: Q): DefinitionUsed => {
    const option = chosen[quantity];
    const [result, words] = meanings[quantity][option];
    return { quantity, option, result, words };
  };
  return [
    used('reverseVelocity'),
    used('surge'),
    used('peak'),
    used('static'),
    used('closingTime'),
    used('deceleration'),
  ];
}
