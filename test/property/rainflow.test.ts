import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import {
  type Cycle,
  listing,
  Rainflow,
  type RainflowState,
  rainflow,
  rainflowRepeating,
} from '../../daemon/statistics/rainflow.ts';

const history = fc.oneof(
  fc.array(fc.integer({ min: -20, max: 20 }), { maxLength: 200 }),
  fc.array(fc.double({ min: -1e6, max: 1e6, noNaN: true }), { maxLength: 60 }),
);
const gates = fc.oneof(
  fc.constant(0),
  fc.integer({ min: 0, max: 15 }),
  fc.double({ min: 0, max: 10, noNaN: true }),
);

/** Reversals of a finished history: first, extremes, last; equal neighbours are one. */
function reversals(samples: readonly number[]): number[] {
  const merged = samples.filter((value, k) => k === 0 || value !== samples[k - 1]);
  return merged.filter(
    (value, k) => k === 0 || k === merged.length - 1 || value > merged[k - 1]! === value > merged[k + 1]!,
  );
}

/** E1049-85, 5.4.4, word by word on a finished list of reversals. */
function plainRainflow(samples: readonly number[]): { range: number; mean: number; count: number }[] {
  const points = reversals(samples);
  const found: { range: number; mean: number; count: number }[] = [];
  const count = (a: number, b: number, by: number) =>
    found.push({ range: Math.abs(b - a), mean: a + (b - a) / 2, count: by });
  const open: number[] = [];
  for (const point of points) {
    open.push(point);
    for (;;) {
      if (open.length < 3) break;
      const [a, b, c] = open.slice(-3) as [number, number, number];
      if (Math.abs(c - b) < Math.abs(b - a)) break;
      if (open.length === 3) {
        count(a, b, 0.5);
        open.shift();
      } else {
        count(a, b, 1);
        open.splice(-3, 2);
      }
    }
  }
  for (let k = 1; k < open.length; k++) count(open[k - 1]!, open[k]!, 0.5);
  return found;
}

function total(cycles: readonly { count: number }[]): number {
  return cycles.reduce((sum, { count }) => sum + count, 0);
}

describe('rainflow', () => {
  it('is the same for any split of the history, stored and restored at every cut', () => {
    fc.assert(
      fc.property(history, gates, fc.array(fc.nat(199), { maxLength: 8 }), (samples, gate, cuts) => {
        const cycles: Cycle[] = [];
        let state: RainflowState | null = null;
        const ends = [...cuts.filter((cut) => cut < samples.length).sort((a, b) => a - b), samples.length];
        let from = 0;
        let counter = new Rainflow(gate, listing(cycles));
        for (const end of ends) {
          counter = new Rainflow(gate, listing(cycles), state);
          counter.push(Float64Array.from(samples), from, end);
          counter.open();
          state = JSON.parse(JSON.stringify(counter.state()));
          from = end;
        }
        expect([...cycles, ...counter.open()]).toEqual(rainflow(samples, gate));
      }),
    );
  });

  it('with gate 0 is the plain count', () => {
    fc.assert(
      fc.property(history, (samples) => {
        const found = rainflow(samples).map(({ range, mean, count }) => ({ range, mean, count }));
        expect(found).toEqual(plainRainflow(samples));
      }),
    );
  });

  it('counts half a cycle for every range between neighbouring reversals', () => {
    fc.assert(
      fc.property(history, (samples) => {
        expect(2 * total(rainflow(samples))).toBe(Math.max(0, reversals(samples).length - 1));
      }),
    );
  });

  it('with a gate counts no range under it and keeps the largest', () => {
    fc.assert(
      fc.property(history, gates, (samples, gate) => {
        const ranges = rainflow(samples, gate).map(({ range }) => range);
        expect(ranges.every((range) => range > 0 && range >= gate)).toBe(true);
        const whole = samples.length === 0 ? 0 : Math.max(...samples) - Math.min(...samples);
        if (whole > 0 && whole >= gate) expect(Math.max(...ranges)).toBe(whole);
        else expect(ranges).toEqual([]);
      }),
    );
  });

  it('with a gate is the plain count of the history it lets through', () => {
    fc.assert(
      fc.property(history, gates, (samples, gate) => {
        const gated = rainflow(samples, gate);
        const points = new Set(gated.flatMap(({ startIndex, endIndex }) => [startIndex, endIndex]));
        const through = [...points].sort((a, b) => a - b).map((index) => samples[index]!);
        expect(gated.map(({ range, mean, count }) => ({ range, mean, count }))).toEqual(
          plainRainflow(through),
        );
      }),
    );
  });

  it('passes over samples that are no numbers and counts them', () => {
    fc.assert(
      fc.property(history, fc.array(fc.nat(200), { maxLength: 5 }), (samples, places) => {
        const holed = [...samples];
        for (const place of places) holed.splice(Math.min(place, holed.length), 0, Number.NaN);
        const cycles: Cycle[] = [];
        const before = new Rainflow(0, listing(cycles));
        const half = Math.floor(holed.length / 2);
        before.push(holed, 0, half);
        const counter = new Rainflow(0, listing(cycles), before.state());
        counter.push(holed, half);
        expect(counter.ignored).toBe(places.length);
        expect(counter.samples).toBe(holed.length);
        const pairs = (list: readonly Cycle[]) => list.map(({ range, mean, count }) => [range, mean, count]);
        expect(pairs([...cycles, ...counter.open()])).toEqual(pairs(rainflow(samples)));
      }),
    );
  });

  it('repeating: whole cycles only, the same wherever the period is cut', () => {
    fc.assert(
      fc.property(
        fc.array(fc.integer({ min: -20, max: 20 }), { minLength: 2, maxLength: 60 }),
        fc.nat(59),
        (samples, turn) => {
          const at = turn % samples.length;
          const turned = [...samples.slice(at), ...samples.slice(0, at)];
          const ranges = (list: readonly Cycle[]) => list.map(({ range }) => range).sort((a, b) => a - b);
          const found = rainflowRepeating(samples);
          expect(found.every(({ count }) => count === 1)).toBe(true);
          expect(ranges(found)).toEqual(ranges(rainflowRepeating(turned)));
          const whole = Math.max(...samples) - Math.min(...samples);
          if (whole > 0) expect(Math.max(...ranges(found))).toBe(whole);
          // Rising and falling parts of a closed history are equal and each belongs to one cycle.
          const rise = samples.reduce((sum, value, k) => sum + Math.max(0, value - samples.at(k - 1)!), 0);
          expect(ranges(found).reduce((sum, range) => sum + range, 0)).toBe(rise);
        },
      ),
    );
  });
});
