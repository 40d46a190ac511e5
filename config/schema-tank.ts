/** The tank behind the legs: what a rig file says of it, and what that becomes. */
import Type, { type Static } from 'typebox';
import type { Findings } from './fault.ts';
import type { TankConfig } from './rig.ts';
import { Quantity, WithTolerance } from './schema-types.ts';
import type { DeepPartial } from './yaml-load.ts';

const strict = { additionalProperties: false } as const;

/** `trip.tank` of the rig file. */
export const tankSchema = Type.Object(
  {
    channel: Type.String({ minLength: 1, description: 'Tag of the tank pressure.' }),
    setPoint: Type.Optional(
      Quantity('pressure', {
        min: '0.1 bar',
        max: '1000 bar',
        description: 'Where the pressure switch trips.',
      }),
    ),
    air: Type.Optional(
      Type.Object(
        {
          volume: WithTolerance('volume', {
            min: '1 l',
            max: '10000 m3',
            description: 'Air in the closed tank, from its drawing and the level.',
          }),
          at: Type.Optional(
            Quantity('pressure', {
              min: '-0.9 bar',
              max: '1000 bar',
              description: 'Tank pressure at which it has that volume; left out: the set point.',
            }),
          ),
          exponent: WithTolerance('ratio', {
            min: '1',
            max: '1.4',
            default: '1.2 +- 0.16',
            description:
              'Polytropic exponent while the tank fills: 1 slowly, 1.4 too fast for heat to leave.',
          }),
        },
        { ...strict, description: 'Known air makes the rise of the tank a check on the flow meters.' },
      ),
    ),
  },
  strict,
);

type TankText = Static<typeof tankSchema>;

/** Half-width of the 95 % interval of an air volume given without a tolerance, as a share (judgement). */
const givenVolume_ratio = 0.1;
/** The same for a polytropic exponent. */
const givenExponent = 0.16;

/** A volume of air means nothing without its pressure. Works on a tree with holes. */
export function checkTank(tank: DeepPartial<TankText> | undefined, findings: Findings): void {
  if (tank?.air === undefined || tank.air.at !== undefined || tank.setPoint !== undefined) return;
  findings.fault(
    'trip.tank.air',
    'add `at`, the tank pressure at which the air has that volume; needed without `setPoint`',
  );
}

/** The resolved tank; null when the file has none. */
export function resolveTank(tank: TankText | undefined): TankConfig | null {
  if (tank === undefined) return null;
  const { channel, setPoint, air } = tank;
  const base = { channel, setPoint_Pa: setPoint ?? null };
  const at_Pa = air?.at ?? setPoint;
  // checkTank has refused air without a pressure.
  if (air === undefined || at_Pa === undefined) return base;
  return {
    ...base,
    air: {
      volume_m3: air.volume.value,
      halfWidth_m3: air.volume.halfWidth ?? givenVolume_ratio * air.volume.value,
      at_Pa,
      polytropic_ratio: air.exponent.value,
      polytropicHalfWidth_ratio: air.exponent.halfWidth ?? givenExponent,
    },
  };
}
