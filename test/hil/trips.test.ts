import { expect, test } from 'vitest';
import { whyNoPty } from '../../daemon/virtual-rig/pty.ts';
import { runStudy } from './study.ts';
import { isPlain, isSoftened, studyText } from './table.ts';

const noPty = whyNoPty();
if (noPty !== null) console.warn(`skipped: hardware-in-the-loop trips need pseudo-terminals: ${noPty}`);

/** Seeds apart from those of the whole study (`npm run hil`). */
const firstSeed = 101;

test.skipIf(noPty !== null)(
  'random trips over real ports: none missed, none invented, truth inside the intervals',
  async () => {
    const study = await runStudy(firstSeed, 8, 4);
    console.log(studyText(study));
    expect(study.trips).toBe(16);
    expect(study.missed).toEqual([]);
    expect(study.falseEvents).toEqual([]);

    const sharp = study.judged.filter((trip) => isPlain(trip) && !isSoftened(trip));
    expect(sharp.length).toBeGreaterThan(4);
    const stated = sharp.flatMap(({ errors }) =>
      errors.filter(({ metric, isInside }) => metric !== 'surge raw' && isInside !== null),
    );
    const inside = stated.filter(({ isInside }) => isInside);
    // The raw surge claims to be no more than what was sampled.
    expect(inside.length / stated.length).toBeGreaterThan(0.9);
  },
  180_000,
);
