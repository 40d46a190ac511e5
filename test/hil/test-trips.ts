import { expect, test } from 'vitest';
import { whyNoPty } from '../../daemon/virtual-rig/pty.ts';
import { runStudy } from './study.ts';
import { isPlain, isSoftened, studyText } from './table.ts';

const noPty = whyNoPty();
if (noPty !== null) console.warn(`skipped: hardware-in-the-loop trips need pseudo-terminals: ${noPty}`);

/** The rigs at once. More make the machine the one that is tested. */
const atOnce = 4;

/** Two trips of each of `rigs` from seed `firstSeed` on, apart from those of the whole study (`npm run hil`). */
export function testTrips(firstSeed: number, rigs: number, leastSharp: number): void {
  test.skipIf(noPty !== null)(
    'random trips over real ports: none missed, none invented, truth inside the intervals',
    async () => {
      const study = await runStudy(firstSeed, rigs, atOnce, rigs + 4);
      console.log(studyText(study));
      expect(study.trips).toBe(2 * rigs);
      // What is more than a machine with a neighbour does to the rigs makes this test mean nothing, and it must say so.
      expect(study.disturbed).toBe(0);
      expect(study.missed).toEqual([]);
      expect(study.falseEvents).toEqual([]);

      const sharp = study.judged.filter((trip) => isPlain(trip) && !isSoftened(trip));
      expect(sharp.length).toBeGreaterThan(leastSharp);
      const stated = sharp.flatMap(({ errors }) =>
        errors.filter(({ metric, isInside }) => metric !== 'surge raw' && isInside !== null),
      );
      const inside = stated.filter(({ isInside }) => isInside);
      // The raw surge claims to be no more than what was sampled.
      expect(inside.length / stated.length).toBeGreaterThan(0.9);
    },
    60_000 * (rigs + 2),
  );
}
