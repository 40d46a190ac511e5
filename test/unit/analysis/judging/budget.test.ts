/** Uncertainty in parts: the shares of JCGM 100:2008, table H.1, for a number of ours. */
import { describe, expect, it } from 'vitest';
import { analyse } from '../../../../daemon/analysis/analyse.ts';
import {
  correlationOf,
  type Effect,
  merged,
  withBudget,
} from '../../../../daemon/analysis/judging/budget.ts';
import { measured, standardOf } from '../../../../daemon/analysis/result.ts';
import type { Measured } from '../../../../daemon/analysis/verdict.ts';
import { plainLeg, syntheticEvent } from '../../../support/synthetic-leg.ts';

// Reverse velocity of 0.25 m/s from a step known to 1.667 %, wave speed to 2 %, density to 0.1 %: 2.605 % together.
const velocity = 0.25;
const inputs: Effect[] = [
  ['noise', velocity * (0.05 / 3)],
  ['wave-speed', -velocity * 0.02],
  ['density', -velocity * 0.001],
];
const total = velocity * Math.hypot(0.05 / 3, 0.02, 0.001);
const withParts = (value: number, uncertainty: number, effects: readonly Effect[]) =>
  withBudget(measured(value, 'm/s', uncertainty, 'test'), effects) as Measured;

describe('a budget', () => {
  it('gives shares of the variance, largest first', () => {
    const { budget } = withParts(velocity, total, inputs);
    expect(budget?.map(({ source }) => source)).toEqual(['wave-speed', 'noise', 'density']);
    const shares = budget!.map(({ share }) => share);
    expect(shares[0]).toBeCloseTo(0.5893, 3);
    expect(shares[1]).toBeCloseTo(0.4093, 3);
    expect(shares[2]).toBeCloseTo(0.00147, 5);
    expect(budget![0].effect).toBeCloseTo(-0.005, 12);
  });

  it('calls the method what the named sources do not explain', () => {
    const { budget } = withParts(velocity, 2 * total, inputs);
    expect(budget![0]).toMatchObject({ source: 'method' });
    expect(budget![0].share).toBeCloseTo(0.75, 12);
  });

  it('is scaled to an interval that was cut off', () => {
    const { budget } = withParts(velocity, total / 3, inputs);
    expect(budget!.reduce((sum, { share }) => sum + share, 0)).toBeCloseTo(1, 9);
  });

  it('adds what is one quantity with its sign, what is drawn anew as squares', () => {
    const sum = new Map(
      merged([
        ['wave-speed', 3],
        ['noise', 3],
        ['wave-speed', -3],
        ['noise', -4],
      ]),
    );
    expect(sum.has('wave-speed')).toBe(false);
    expect(sum.get('noise')).toBeCloseTo(5, 12);
  });

  it('stays away from an exact number and a withheld one', () => {
    expect(withParts(1, 0, inputs).budget).toBeUndefined();
    const none = { value: null, reason: 'why' } as const;
    expect(withBudget(none, inputs)).toBe(none);
  });
});

describe('the correlation of two results', () => {
  it('is what they share: 0.591 for two steps under one wave speed and density', () => {
    const one = withParts(velocity, total, inputs);
    expect(correlationOf(one, withParts(velocity, total, inputs))).toBeCloseTo(
      (0.02 ** 2 + 0.001 ** 2) / ((0.05 / 3) ** 2 + 0.02 ** 2 + 0.001 ** 2),
      6,
    );
  });

  it('is negative where the shared quantity turns them apart', () => {
    const up = withParts(1, 1, [['static-level', 1]]);
    const down = withParts(1, 1, [['static-level', -1]]);
    expect(correlationOf(up, down)).toBeCloseTo(-1, 9);
  });
});

describe('the budgets of a verdict', () => {
  const record = syntheticEvent({ ...plainLeg, rate_Hz: 2000, noise_Pa: 500 });
  const { results } = analyse(record, { revision: 1, software: 'test', reason: 'unit' }).legs[0];
  const given = Object.entries(results).filter(
    (entry): entry is [string, Measured] => entry[1].value !== null && entry[1].low < entry[1].high,
  );

  it('stand at every number and make its whole variance', () => {
    expect(given.length).toBeGreaterThan(20);
    for (const [name, result] of given) {
      const shares = result.budget?.reduce((sum, { share }) => sum + share, 0) ?? 0;
      expect(shares, name).toBeGreaterThan(0.98);
      expect(shares, name).toBeLessThan(1.000001);
      const squares = result.budget!.reduce((sum, { effect }) => sum + effect ** 2, 0);
      expect(Math.sqrt(squares) / standardOf(result), name).toBeGreaterThan(0.98);
    }
  });

  it('tie the reversal and the seating together through the trip, not the time between them', () => {
    const { seating, reversal, reverseFlowTime } = results as unknown as Record<string, Measured>;
    // Both lie after the same trip; its share in each, one root times the other, is what they have in common.
    const share = (result: Measured) =>
      result
        .budget!.filter(({ source }) => /contact|knee/.test(source))
        .reduce((sum, part) => sum + part.share, 0);
    const common = Math.sqrt(share(seating) * share(reversal));
    expect(common).toBeGreaterThan(0.05);
    expect(correlationOf(seating, reversal)).toBeCloseTo(common, 1);
    expect(reverseFlowTime.budget!.some(({ source }) => source === 'contact-delay')).toBe(false);
  });
});
