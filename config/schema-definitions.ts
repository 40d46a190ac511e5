/** Which definition of a figure a rig reports under its plain name: what a rig file may choose from. */
import Type, { type Static } from 'typebox';
import type { Findings } from './fault.ts';
import type { DeepPartial } from './yaml-load.ts';

/** `definitions` of the rig file. Every option is a result that each verdict holds anyway; the first of each is the default. */
export const definitionsSchema = Type.Object(
  {
    static: Type.Enum(['settled', 'running'], {
      default: 'settled',
      description: 'Outlet after the valve has closed, 50 ms after seating; or just before the trip.',
    }),
    peak: Type.Enum(['corrected', 'sampled'], {
      default: 'corrected',
      description: 'Largest pressure corrected for sampling and sensor; or the largest sample as it is.',
    }),
    surge: Type.Enum(['peak-over-settled', 'sampled-over-settled', 'peak-over-running', 'seating-step'], {
      default: 'peak-over-settled',
      description:
        'Corrected peak, or largest sample, less the settled static; less the pressure before the trip; or the step at seating.',
    }),
    reverseVelocity: Type.Enum(['equivalent', 'at-seating', 'largest', 'inlet'], {
      default: 'equivalent',
      description:
        'From the surge; from the step at seating; the fastest reverse flow; from the inlet tap. The class is always judged by the first.',
    }),
    closingTime: Type.Enum(['trip-to-seating', 'trip-to-reversal', 'reversal-to-seating', 'disc-travel'], {
      default: 'trip-to-seating',
      description: 'Start and end of the time; disc-travel needs a position channel.',
    }),
    deceleration: Type.Enum(['mean', 'at-reversal', 'meter'], {
      default: 'mean',
      description:
        'Approach velocity over the time to reversal; slope over 20 ms about the reversal; mean by the flow meter alone.',
    }),
  },
  {
    additionalProperties: false,
    default: {},
    description: 'Which definition stands under the plain name of a figure; printed with every verdict.',
  },
);

/** The chosen definitions, all filled in. */
export type Definitions = Static<typeof definitionsSchema>;

interface RigPart {
  readonly definitions?: DeepPartial<Definitions> | undefined;
  readonly legs?:
    | readonly (DeepPartial<{ position: string; meter: object; taps: { inlet: object } }> | undefined)[]
    | undefined;
}

/** Warns of a definition whose instrument a leg does not have: its figure would always be withheld there. */
export function checkDefinitions({ definitions, legs }: RigPart, findings: Findings): void {
  legs?.forEach((leg, k) => {
    const lacks = (key: keyof Definitions, option: string, has: unknown, what: string) => {
      if (definitions?.[key] !== option || has !== undefined) return;
      findings.warn(
        `definitions.${key}`,
        `${option} needs ${what}, and legs[${k}] has none: the figure will be withheld there`,
      );
    };
    lacks('closingTime', 'disc-travel', leg?.position, 'the channel of a disc position');
    lacks('deceleration', 'meter', leg?.meter, 'a meter');
    lacks('reverseVelocity', 'inlet', leg?.taps?.inlet, 'an inlet tap');
  });
}

/** For what the rig file of an older event did not say. */
export const usualDefinitions: Definitions = {
  static: 'settled',
  peak: 'corrected',
  surge: 'peak-over-settled',
  reverseVelocity: 'equivalent',
  closingTime: 'trip-to-seating',
  deceleration: 'mean',
};
