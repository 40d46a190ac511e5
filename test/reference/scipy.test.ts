import { describe, expect, it } from 'vitest';
import { fitCalibration } from '../../daemon/instruments/calibration-fit.ts';
import { fisherTail, incompleteBeta } from '../../daemon/statistics/incomplete-beta.ts';
import { uniformFrom } from '../../daemon/statistics/monte-carlo.ts';
import {
  normalProbability,
  normalQuantile,
  studentProbability,
  studentQuantile,
} from '../../daemon/statistics/student.ts';
import { pooled, summaryOf, welch } from '../../daemon/statistics/welch.ts';
import { askScipy, whyNoScipy } from '../support/scipy.ts';

const why = whyNoScipy();
if (why !== null) console.warn(`skipped: comparison with an independent library. ${why}`);

function worst(found: readonly number[], expected: readonly number[], floor = 0): number {
  expect(found.length).toBe(expected.length);
  expect(found.length).toBeGreaterThan(0);
  return Math.max(
    ...found.map((value, k) => Math.abs(value - expected[k]!) / Math.max(floor, Math.abs(expected[k]!))),
  );
}

// SciPy 1.10 (Debian 12), written by others in other code, used by the tests alone.
describe.skipIf(why !== null)('against SciPy', () => {
  const degrees = [0.7, 1, 2, 3.3, 5, 9, 16.75, 40, 250, 1e4, 1e6, 5e7];

  it('quantiles and probabilities of Student and the normal distribution', () => {
    const levels = [1e-8, 0.001, 0.025, 0.2, 0.49, 0.6, 0.8, 0.95, 0.975, 0.9995];
    const pairs = degrees.flatMap((nu) => levels.map((p) => [nu, p] as const));
    const quantiles = pairs.map(([nu, p]) => studentQuantile(p, nu));
    const places = [-8, -2, -0.3, 0, 1, 3.7];
    const answer = askScipy<Record<'t' | 'back' | 'z' | 'probability' | 'normal', number[]>>(
      `from scipy.stats import t, norm
pairs, levels, places, quantiles = given
answer = {
  't': [float(t.ppf(p, nu)) for nu, p in pairs],
  'back': [float(t.cdf(q, nu)) for (nu, p), q in zip(pairs, quantiles)],
  'z': [float(norm.ppf(p)) for p in levels],
  'probability': [float(t.cdf(x, nu)) for nu, p in pairs for x in places],
  'normal': [float(norm.cdf(x)) for x in places],
}`,
      [pairs, levels, places, quantiles],
    );
    // Its own quantiles are good to about 1e-9: it misses tan(0.475 pi), exact for one degree, by 2e-11.
    expect(worst(quantiles, answer.t)).toBeLessThan(1e-8);
    expect(
      worst(
        answer.back,
        pairs.map(([, p]) => p),
      ),
    ).toBeLessThan(1e-10);
    expect(worst(levels.map(normalQuantile), answer.z)).toBeLessThan(1e-12);
    expect(worst(places.map(normalProbability), answer.normal)).toBeLessThan(1e-11);
    expect(
      worst(
        pairs.flatMap(([nu]) => places.map((x) => studentProbability(x, nu))),
        answer.probability,
        1e-6,
      ),
    ).toBeLessThan(1e-10);
  });

  it('incomplete beta function and tail of F', () => {
    const sizes = [0.5, 1, 4.5, 30, 2000];
    const cases = sizes.flatMap((a) =>
      sizes.flatMap((b) => [0.001, 0.2, 0.5, 0.93].map((x) => [a, b, x] as const)),
    );
    const answer = askScipy<Record<'beta' | 'tail', number[]>>(
      `from scipy.special import betainc
from scipy.stats import f
answer = {
  'beta': [float(betainc(a, b, x)) for a, b, x in given],
  'tail': [float(f.sf(5 * x, a, b)) for a, b, x in given],
}`,
      cases,
    );
    expect(
      worst(
        cases.map(([a, b, x]) => incompleteBeta(x, a, b)),
        answer.beta,
        1e-3,
      ),
    ).toBeLessThan(1e-10);
    expect(
      worst(
        cases.map(([a, b, x]) => fisherTail(5 * x, a, b)),
        answer.tail,
        1e-3,
      ),
    ).toBeLessThan(1e-10);
  });

  it('Welch and pooled comparisons of random series', () => {
    const uniform = uniformFrom(20);
    const series = (n: number, shift: number, scatter: number) =>
      Array.from({ length: n }, () => shift + scatter * (uniform() + uniform() + uniform()));
    const pairs = [
      [series(2, 0, 1), series(3, 1, 4)],
      [series(12, 5, 0.1), series(30, 5.2, 1)],
      [series(8, 1e6, 1), series(5, 1e6 + 0.5, 3)],
      [series(200, 0, 1), series(200, 0.6, 2)],
    ] as const;
    const answer = askScipy<{ welch: number[][]; pooled: number[][] }>(
      `from scipy.stats import ttest_ind
answer = {
  name: [[float(r.statistic), float(r.pvalue)] for r in (ttest_ind(a, b, equal_var=same) for a, b in given)]
  for name, same in (('welch', False), ('pooled', True))
}`,
      pairs,
    );
    for (const [name, compare] of [
      ['welch', welch],
      ['pooled', pooled],
    ] as const) {
      const found = pairs.flatMap(([a, b]) => {
        const { t, p } = compare(summaryOf(a), summaryOf(b))!;
        return [t, p];
      });
      expect(worst(found, answer[name].flat()), name).toBeLessThan(1e-9);
    }
  });

  it('a calibration line and a parabola', () => {
    const uniform = uniformFrom(21);
    const x = Array.from({ length: 15 }, (_, k) => 4e-3 + 1e-3 * k);
    const y = x.map(
      (current) => 1.5e8 * (current - 4e-3) + 3e6 * (current - 4e-3) ** 2 + 900 * (uniform() - 0.5),
    );
    const answer = askScipy<{ line: number[]; parabola: number[]; uncertainties: number[] }>(
      `import numpy as np
from scipy.linalg import inv, lstsq
from scipy.stats import linregress
x, y = (np.array(v) for v in given)
line = linregress(x, y)
columns = np.vander(1e3 * x, 3, increasing=True)
values = lstsq(columns, y)[0]
rest = y - columns @ values
covariance = inv(columns.T @ columns) * (rest @ rest) / (len(x) - 3)
scale = np.array([1, 1e3, 1e6])
answer = {
  'line': [float(v) for v in (line.intercept, line.slope, line.intercept_stderr, line.stderr, line.rvalue ** 2)],
  'parabola': [float(v) for v in values * scale],
  'uncertainties': [float(v) for v in np.sqrt(np.diag(covariance)) * scale],
}`,
      [x, y],
    );
    const line = fitCalibration(x, y, 1);
    expect(
      worst(
        [...line.coefficients, line.explained_ratio],
        [0, 1, 4].map((k) => answer.line[k]!),
      ),
    ).toBeLessThan(1e-11);
    // The library takes these from 1 - r^2, which costs it digits.
    const [offset, slope] = [0, 3].map((k) => Math.sqrt(line.covariance![k]!));
    expect(worst([offset!, slope!], answer.line.slice(2, 4))).toBeLessThan(1e-8);
    const parabola = fitCalibration(x, y, 2);
    expect(worst([...parabola.coefficients], answer.parabola)).toBeLessThan(1e-9);
    const uncertainties = [0, 4, 8].map((k) => Math.sqrt(parabola.covariance![k]!));
    expect(worst(uncertainties, answer.uncertainties)).toBeLessThan(1e-9);
  });
});
