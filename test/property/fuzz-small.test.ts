/** A small, seeded part of `npm run fuzz`: every target keeps its promises on a few thousand inputs. */
import { expect, it } from 'vitest';
import { targets } from '../fuzz/targets.ts';

it.each(targets)('$name keeps its promises', async ({ run, smallCount }) => {
  let last = 0;
  const counts = await run(20261125, smallCount, (done) => {
    last = done;
  });
  expect(last).toBeLessThanOrEqual(smallCount + 1000);
  expect(Object.values(counts).some((count) => count > 0)).toBe(true);
});
