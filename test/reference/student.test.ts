import { describe, expect, it } from 'vitest';
import { fisherTail, incompleteBeta, lnBeta, lnGamma } from '../../daemon/statistics/incomplete-beta.ts';
import {
  coverageFactor,
  normalProbability,
  normalQuantile,
  studentProbability,
  studentQuantile,
  studentTwoSided,
} from '../../daemon/statistics/student.ts';

// Two-sided coverage factors, computed independently to six decimals; JCGM 100:2008, table G.2 prints the same to two
// (from memory). The last column is for 95.45 %, k = 2 of a normal quantity.
const levels = [0.8, 0.9, 0.95, 0.98, 0.99];
const table: readonly (readonly number[])[] = [
  [1, 3.077684, 6.313752, 12.706205, 31.820516, 63.656741, 13.9678],
  [2, 1.885618, 2.919986, 4.302653, 6.964557, 9.924843, 4.5266],
  [3, 1.637744, 2.353363, 3.182446, 4.540703, 5.840909, 3.3068],
  [4, 1.533206, 2.131847, 2.776445, 3.746947, 4.604095, 2.8693],
  [5, 1.475884, 2.015048, 2.570582, 3.36493, 4.032143, 2.6487],
  [8, 1.396815, 1.859548, 2.306004, 2.896459, 3.355387, 2.3664],
  [9, 1.383029, 1.833113, 2.262157, 2.821438, 3.249836, 2.3198],
  [10, 1.372184, 1.812461, 2.228139, 2.763769, 3.169273, 2.2837],
  [16, 1.336757, 1.745884, 2.119905, 2.583487, 2.920782, 2.1689],
  [20, 1.325341, 1.724718, 2.085963, 2.527977, 2.84534, 2.133],
  [30, 1.310415, 1.697261, 2.042272, 2.457262, 2.749996, 2.0868],
  [50, 1.298714, 1.675905, 2.008559, 2.403272, 2.677793, 2.0513],
  [100, 1.290075, 1.660234, 1.983972, 2.364217, 2.625891, 2.0253],
  [Infinity, 1.281552, 1.644854, 1.959964, 2.326348, 2.575829, 2.0],
];
const levelOfTwo = 0.9545;

describe('coverage factors', () => {
  it.each(table)('%d degrees of freedom', (degrees, ...factors) => {
    for (const [k, level] of levels.entries()) {
      expect(Math.abs(coverageFactor(level, degrees) - factors[k]!)).toBeLessThan(1e-6);
    }
    expect(Math.abs(coverageFactor(levelOfTwo, degrees) - factors[5]!)).toBeLessThan(6e-5);
  });

  // JCGM 100:2008, table G.2 (from memory): printed to two decimals.
  it.each([
    [1, 0.9545, 13.97],
    [2, 0.9545, 4.53],
    [3, 0.9973, 9.22],
    [10, 0.99, 3.17],
    [16, 0.99, 2.92],
    [19, 0.95, 2.09],
    [50, 0.9973, 3.16],
  ])('%d degrees, level %d: %d', (degrees, level, printed) => {
    expect(Math.abs(coverageFactor(level, degrees) - printed)).toBeLessThan(0.0151);
  });
});

describe('exact values', () => {
  // Closed forms: 1 degree is Cauchy's distribution, 2 degrees t = (2p - 1) sqrt(2 / (4 p (1 - p))).
  it.each([0.5000001, 0.6, 0.75, 0.9, 0.99, 0.9999, 1 - 1e-9])('1 and 2 degrees at %d', (p) => {
    const cauchy = 1 / Math.tan(Math.PI * (1 - p));
    const two = (2 * p - 1) * Math.sqrt(2 / (4 * p * (1 - p)));
    expect(Math.abs(studentQuantile(p, 1) / cauchy - 1)).toBeLessThan(1e-9);
    expect(Math.abs(studentQuantile(p, 2) / two - 1)).toBeLessThan(1e-9);
    expect(Math.abs(studentProbability(cauchy, 1) - p)).toBeLessThan(1e-12);
    expect(Math.abs(studentProbability(-two, 2) - (1 - p))).toBeLessThan(1e-12);
  });

  // 4 degrees: probability = 1/2 + 3/8 s (1 - s^2 / 12 * t^2 / (1 + t^2 / 4)), s = t / sqrt(1 + t^2 / 4).
  it.each([0.1, 1, 2.776445105, 10])('4 degrees at t = %d', (t) => {
    const s = t / Math.sqrt(1 + (t * t) / 4);
    const p = 0.5 + 0.375 * s * (1 - s ** 2 / 12);
    expect(Math.abs(studentProbability(t, 4) - p)).toBeLessThan(1e-13);
  });

  // Abramowitz & Stegun, tables 26.1 and 26.5 (from memory), and the well-known 97.5 % point.
  it('of the normal distribution', () => {
    expect(Math.abs(normalProbability(1) - 0.841344746068543)).toBeLessThan(1e-14);
    expect(Math.abs(normalProbability(-3) / 1.349898031630095e-3 - 1)).toBeLessThan(1e-12);
    expect(Math.abs(normalProbability(-6) / 9.865876450376946e-10 - 1)).toBeLessThan(1e-12);
    expect(Math.abs(normalQuantile(0.975) - 1.959963984540054)).toBeLessThan(1e-12);
    expect(Math.abs(normalQuantile(1e-9) + 5.997807015007687)).toBeLessThan(1e-11);
    expect(normalQuantile(0.5)).toBe(0);
  });

  it('of the gamma and beta functions', () => {
    expect(Math.abs(lnGamma(0.5) - 0.5 * Math.log(Math.PI))).toBeLessThan(1e-14);
    expect(Math.abs(lnGamma(11) - Math.log(3628800))).toBeLessThan(1e-13);
    expect(Math.abs(Math.exp(lnBeta(3, 4)) * 60 - 1)).toBeLessThan(1e-13);
    expect(Math.abs(Math.exp(lnBeta(20, 2)) * 420 - 1)).toBeLessThan(1e-13);
    // I_x(2, 3) = x^2 (6 - 8 x + 3 x^2).
    for (const x of [0.01, 0.3, 0.5, 0.99]) {
      expect(Math.abs(incompleteBeta(x, 2, 3) - x * x * (6 - 8 * x + 3 * x * x))).toBeLessThan(1e-14);
    }
    // F with 2 and n degrees: (1 + 2 F / n)^(-n / 2). F with 1 and n degrees is t squared.
    expect(Math.abs(fisherTail(3, 2, 10) / 1.6 ** -5 - 1)).toBeLessThan(1e-12);
    expect(Math.abs(fisherTail(2.5 ** 2, 1, 7) / studentTwoSided(2.5, 7) - 1)).toBeLessThan(1e-12);
  });
});

describe('quantile and probability', () => {
  it('undo each other to 1e-10, from half a degree to a hundred million', () => {
    for (const degrees of [0.5, 1, 1.5, 3, 9.7, 30, 1000, 1e5, 9.9e6, 1e8]) {
      for (const p of [1e-6, 0.01, 0.3, 0.4999, 0.5, 0.7, 0.79, 0.81, 0.975, 0.9999]) {
        const back = studentProbability(studentQuantile(p, degrees), degrees);
        expect(Math.abs(back - p), `${degrees} degrees, ${p}`).toBeLessThan(1e-10 * Math.min(1, 10 * p));
      }
    }
  });

  it('pass into the normal distribution without a step', () => {
    const below = studentQuantile(0.975, 0.999e7);
    const above = studentQuantile(0.975, 1.001e7);
    expect(below).toBeGreaterThan(above);
    expect(above).toBeGreaterThan(studentQuantile(0.975, Infinity));
    expect((below - above) / above).toBeLessThan(1e-9);
  });

  it('refuse what is no probability and no number of degrees', () => {
    expect(() => studentQuantile(0, 5)).toThrow('probability 0 found');
    expect(() => normalQuantile(1)).toThrow('probability 1 found');
    expect(() => studentProbability(1, 0)).toThrow('0 degrees of freedom found');
    expect(() => coverageFactor(95, 5)).toThrow('level 95 found');
    expect(() => incompleteBeta(1.1, 1, 1)).toThrow('x 1.1');
    expect(() => fisherTail(-1, 1, 1)).toThrow('ratio -1');
    expect(() => lnGamma(0)).toThrow('0 found');
  });
});
