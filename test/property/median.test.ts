/** The median by selection beside that of a sorted copy: ties, NaN, infinities, any length. */
import fc from 'fast-check';
import { expect, test } from 'vitest';
import { median } from '../../daemon/statistics/samples.ts';

/** Few different values make ties; NaN and infinities come as a careless caller may have them. */
const value = fc.oneof(
  fc.integer({ min: -2, max: 2 }),
  fc.double({ noNaN: true, min: -1e9, max: 1e9 }),
  fc.constantFrom(Number.NaN, Number.POSITIVE_INFINITY, Number.NEGATIVE_INFINITY),
);

test('the median is the middle of the sorted values, and the values stay as they were', () => {
  fc.assert(
    fc.property(fc.array(value, { minLength: 1, maxLength: 60 }), (values) => {
      const given = Float64Array.from(values);
      const sorted = given.slice().sort();
      const half = sorted.length >> 1;
      const expected = sorted.length % 2 === 1 ? sorted[half] : (sorted[half - 1] + sorted[half]) / 2;
      // -0 is 0 here.
      expect(median(given, 0, given.length)! + 0).toBe(expected + 0);
      expect(given).toEqual(Float64Array.from(values));
    }),
    { numRuns: 2000 },
  );
});
