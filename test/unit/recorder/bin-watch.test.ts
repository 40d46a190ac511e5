import { expect, test } from 'vitest';
import { BinWatch } from '../../../daemon/recorder/bin-watch.ts';

class Bins extends BinWatch {
  readonly taken: [value: number, end_s: number][] = [];

  override reset(): void {
    throw new Error('no sample is missing here');
  }

  protected override take(value: number, end_s: number): void {
    this.taken.push([value, end_s]);
  }
}

/** The value of a bin of these samples. */
function binOf(...samples: readonly number[]): number {
  const bins = new Bins();
  bins.gather(Float64Array.from(samples), 0, 1, 0, samples.length);
  bins.finish(1);
  expect(bins.taken).toHaveLength(1);
  return bins.taken[0]![0];
}

test('one spike does not move a bin, nor do two of opposite sign', () => {
  expect(binOf(4, 4, 4, 4, 40)).toBe(4);
  expect(binOf(4, -40, 4, 4, 4)).toBe(4);
  expect(binOf(4, 4, 40, 4, -40, 4)).toBe(4);
});

test('the two extremes are left out and the others count alike', () => {
  expect(binOf(1, 2, 3, 10)).toBe(2.5);
  // Three samples and fewer: nothing shows which of them is wrong.
  expect(binOf(1, 2, 9)).toBe(4);
  expect(binOf(7)).toBe(7);
});

test('the extremes of one bin are not those of the next, and a bin without samples is none', () => {
  const bins = new Bins(0.25);
  const values = Float64Array.from([4, 4, 4, 40, 5, 5, 6, 6]);
  bins.gather(values, 0, 1, 0, 4);
  bins.finish(1);
  bins.finish(2);
  bins.gather(values, 0, 1, 4, 8);
  bins.finish(3);
  expect(bins.taken).toEqual([
    [4, 0.75],
    [5.5, 2.75],
  ]);
});
