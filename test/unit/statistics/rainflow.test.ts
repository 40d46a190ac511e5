import { describe, expect, it } from 'vitest';
import {
  cyclesToFailure,
  hoopStress_Pa,
  minerDamage_ratio,
  vinsonPvc,
} from '../../../daemon/statistics/fatigue.ts';
import { Rainflow, rainflow, rainflowRepeating } from '../../../daemon/statistics/rainflow.ts';

const ignore = () => undefined;

describe('cycle counter', () => {
  it('has nothing to count in silence, steps of one value and a single change', () => {
    expect(rainflow([])).toEqual([]);
    expect(rainflow([1, 1, 1])).toEqual([]);
    expect(rainflowRepeating([])).toEqual([]);
    expect(rainflowRepeating([2, 2])).toEqual([]);
    expect(rainflow([1, 1, 3, 3])).toEqual([{ range: 2, mean: 2, count: 0.5, startIndex: 0, endIndex: 2 }]);
  });

  it('does not count ripple on a slow swing, and places the swing at its extremes', () => {
    const ripple = Array.from({ length: 1000 }, (_, k) => 10 * Math.sin(k / 80) + (k % 2 === 0 ? 0.2 : -0.2));
    const cycles = rainflow(ripple, 1);
    // From 0 over two tops and two bottoms to the end.
    expect(cycles.length).toBe(5);
    expect(rainflow(ripple).length).toBeGreaterThan(500);
    const largest = Math.max(...cycles.map(({ range }) => range));
    expect(largest).toBe(Math.max(...ripple) - Math.min(...ripple));
  });

  it('keeps its residue short however long a steady swing lasts', () => {
    let counted = 0;
    const counter = new Rainflow(0.5, (_range, _mean, count) => {
      counted += count;
    });
    for (let k = 0; k < 10_000; k++) counter.push([k % 2 === 0 ? 1 : -1]);
    expect(counter.state().residue.length).toBeLessThan(4);
    expect(counted).toBeGreaterThan(4990);
  });

  it('refuses a gate that is none and a state that is not its own', () => {
    const state = new Rainflow(1, ignore).state();
    expect(() => new Rainflow(-1, ignore)).toThrow('gate: -1 found');
    expect(() => new Rainflow(2, ignore, state)).toThrow(
      'version 1, gate 1 found; version 1, gate 2 allowed',
    );
  });
});

describe('fatigue', () => {
  const line = { ...vinsonPvc, coefficient: 1e6, exponent: 2, limit_Pa: 5 };

  it('takes cycles up to the limit for harmless', () => {
    expect(cyclesToFailure(line, 10)).toBe(1e4);
    expect(cyclesToFailure(line, 5)).toBe(Infinity);
    expect(cyclesToFailure({ ...line, limit_Pa: null }, 0)).toBe(Infinity);
    expect(
      minerDamage_ratio(line, [
        { stress_Pa: 10, count: 2500 },
        { stress_Pa: 4, count: 1e12 },
      ]),
    ).toBe(0.25);
    expect(() => cyclesToFailure(line, -1)).toThrow('stress -1 Pa found');
    expect(() => hoopStress_Pa(1, 2)).toThrow('SDR 2 found');
  });
});
