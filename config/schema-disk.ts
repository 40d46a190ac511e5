/** The `disk:` section: how much is kept, and for how long. */
import Type, { type Static } from 'typebox';
import type { DiskConfig } from './disk.ts';
import { Quantity } from './schema-types.ts';

const strict = { additionalProperties: false } as const;

const age = (given: string, description: string) =>
  Quantity('time', { min: '1 h', max: '36500 d', default: given, description });
const size = (description: string) =>
  Type.Optional(Quantity('size', { min: '10 MB', max: '1000 TB', description }));

/** `disk:` as written. */
export const diskSchema = Type.Object(
  {
    ring: Type.Object(
      {
        age: age('365 d', 'Older hours are removed.'),
        size: size(
          'The oldest hours beyond it are removed. Left out: 20 GB or 20 % of the disk, whichever is less.',
        ),
      },
      { ...strict, default: {}, description: 'Everything at full rate.' },
    ),
    routineTraces: Type.Object(
      {
        age: age(
          '90 d',
          'An event without a flag counts as accepted after it; before, its trace is never removed.',
        ),
        size: size(
          'Traces of accepted events beyond it are removed, oldest first. Left out: only when space is low.',
        ),
      },
      { ...strict, default: {}, description: 'Samples of events without a flag. Verdicts always stay.' },
    ),
    keptWindows: Type.Object(
      {
        age: age('1 d', 'Younger ones stay, whatever they take.'),
        size: size(
          'Samples of older ones beyond it are removed, oldest first. Left out: 5 GB or 5 % of the disk, whichever is less.',
        ),
      },
      {
        ...strict,
        default: {},
        description:
          'Samples of windows that a person kept of a trip with an event of its own, or of no trip. Verdicts always stay.',
      },
    ),
    torn: Type.Object(
      { age: age('90 d', 'Older ones are removed.') },
      { ...strict, default: {}, description: 'Unfinished events that were set aside.' },
    ),
    lowSpace: size(
      'With less free, the ring is shortened, then kept windows and accepted traces. Left out: 2 GB or 5 % of the disk, whichever is less.',
    ),
  },
  { ...strict, default: {}, description: 'What is kept. Verdicts and events with a flag are never removed.' },
);

/** The section in full. */
export function resolveDisk(written: Static<typeof diskSchema>): DiskConfig {
  const { ring, routineTraces, keptWindows, torn, lowSpace } = written;
  return {
    ring: { age_s: ring.age, size_bytes: ring.size ?? null },
    routineTraces: { age_s: routineTraces.age, size_bytes: routineTraces.size ?? null },
    keptWindows: { age_s: keptWindows.age, size_bytes: keptWindows.size ?? null },
    torn: { age_s: torn.age },
    lowSpace_bytes: lowSpace ?? null,
  };
}
