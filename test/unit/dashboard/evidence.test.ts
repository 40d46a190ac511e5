import { expect, test } from 'vitest';
import type { BudgetPart, Measured, Result, SamplingView } from '../../../daemon/web/wire.ts';
import { captureWords } from '../../../dashboard/format/capture.ts';
import { agree, crossChecks } from '../../../dashboard/format/cross-checks.ts';
import { mainParts, shareWords } from '../../../dashboard/format/sources.ts';
import { dayWords, gasWords, speedScale } from '../../../dashboard/format/wave-speed.ts';
import { fakeWaveSpeeds } from '../../support/fake-wave-speeds.ts';
import { swing, syntheticVerdict } from '../../support/synthetic-event.ts';

const plateau_s = 0.0128;

function sampling(rate_Hz: number, responseTime_s = 0.0005): SamplingView {
  const samples = rate_Hz * plateau_s;
  return {
    rate_Hz,
    needed_Hz: 8 / plateau_s,
    recommended_Hz: 20 / plateau_s,
    plateau_s,
    samples,
    responseTime_s,
  };
}

test.each([
  [5000, 0.0005, 'Sampling 5000/s (minimum 625).', false],
  [1000, 0.0005, 'Sampling 1000/s (minimum 625): peaks with a wider interval.', false],
  [100, 0.0005, 'Sampling 100/s (minimum 625): peak indicative only.', true],
])('a leg at %d samples/s', (rate_Hz, responseTime_s, text, isTrouble) => {
  expect(captureWords(sampling(rate_Hz, responseTime_s))).toMatchObject({ text, isTrouble });
});

test('a slow sensor is told however fast it is sampled', () => {
  expect(captureWords(sampling(5000, 0.002)).text).toContain('peaks read low');
  expect(captureWords(sampling(5000, 0.008)).text).toMatch(/responds in 8\.0.ms.*12\.8.ms: no peak/);
  expect(captureWords(sampling(5000, 0.008)).isTrouble).toBe(true);
});

function measured(value: number, low: number, high: number): Measured {
  return { value, low, high, unit: 'm/s', method: '', from_s: null, to_s: null };
}

test('two results agree within the root of the summed squares of the halves that face each other', () => {
  // 3-4-5: halves of 3 and 4 allow a difference of 5.
  expect(agree(measured(0, -1, 3), measured(5, 1, 6))).toBe(true);
  expect(agree(measured(0, -1, 3), measured(5.01, 1.01, 6))).toBe(false);
  expect(agree(measured(5, 1, 6), measured(0, -1, 3))).toBe(true);
  // The half that faces away does not help.
  expect(agree(measured(0, -9, 0.1), measured(1, 0.9, 9))).toBe(false);
});

test('a softened closure is no contradiction between impulse and step', () => {
  const leg = syntheticVerdict('e', swing).legs[0]!;
  const checks = crossChecks(leg, undefined);
  expect(checks.map(({ name }) => name)).toEqual([
    'Velocity at seating',
    'Reverse velocity',
    'Mean deceleration',
    'Wave speed',
  ]);
  expect(checks[1]?.expected).toContain('softened');
  expect(checks[3]?.second.result.value).toBeNull();
});

test('two taps stand beside the ring-down where the leg has a mid tap', () => {
  const leg = syntheticVerdict('e', swing).legs[0]!;
  const withTaps = (twoTaps: Result) => ({
    ...leg,
    waveSpeeds: { ringDown: leg.results.waveSpeed, twoTaps },
  });
  const names = (each: typeof leg) => crossChecks(each, undefined).map(({ name }) => name);
  expect(names(withTaps(measured(1270, 1250, 1290)))).toContain('Wave speed, measured');
  expect(names(withTaps({ value: null, reason: 'no sharp front passes from tap to tap' }))).toHaveLength(5);
  expect(names(withTaps({ value: null, reason: 'there is no mid tap in this leg' }))).toHaveLength(4);
});

test('a budget shows its main sources and sums up the rest', () => {
  const part = (source: BudgetPart['source'], share: number) => ({ source, share, effect: 1 });
  const budget = [part('wave-speed', 0.6), part('method', 0.39), part('noise', 0.004)];
  const { parts, rest } = mainParts(budget);
  expect(parts.map(({ source }) => source)).toEqual(['wave-speed', 'method']);
  expect(rest).toBeCloseTo(0.01, 9);
  expect(mainParts(budget, 1).rest).toBeCloseTo(0.4, 9);
  expect([0.594, 0.0095, 0.004].map(shareWords)).toEqual(['59\u202f%', '1\u202f%', '0.4\u202f%']);
});

test('a day of the wave speed is written with justified digits, its gas with two', () => {
  const view = fakeWaveSpeeds('A', 30, 90, Date.UTC(2026, 5, 30));
  const last = view.days.at(-1)!;
  expect(dayWords(last, 'si')).toEqual({ value: '1178\u202fm/s', interval: '[1162 .. 1194]' });
  expect(dayWords(last, 'us').value).toMatch(/^38\d\d.ft\/s$/);
  expect(gasWords(last)).toMatch(/^\d\d.ppm \[\d\d \.\. \d\d\]$/);
  expect(gasWords({ ...last, freeGas_ratio: null })).toContain('no mixture');
  const { low, high, ticks } = speedScale(view, 1);
  expect(low).toBeLessThanOrEqual(1162);
  expect(high).toBeGreaterThanOrEqual(1291);
  expect(ticks.length).toBeGreaterThan(2);
  expect(ticks.length).toBeLessThan(9);
});
