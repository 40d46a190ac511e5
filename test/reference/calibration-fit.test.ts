import { describe, expect, it } from 'vitest';
import {
  fitCalibration,
  inversePrediction,
  lackOfFit,
  onCalibration,
} from '../../daemon/instruments/calibration-fit.ts';

function expectRelative(found: number, expected: number, relative: number): void {
  expect(Math.abs(found / expected - 1), `${found} for ${expected}`).toBeLessThan(relative);
}

// NIST Statistical Reference Datasets, Norris (ozone monitors): data and certified values.
const norris = {
  x: [
    0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5, 666.9, 338.0,
    447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3,
    229.2, 669.1, 448.9, 0.5,
  ],
  y: [
    0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8, 339.3,
    448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6,
    228.9, 668.4, 449.2, 0.2,
  ],
};

// NIST Statistical Reference Datasets, Pontius (deflection of a load cell): data and certified values.
const pontius = {
  x: Array.from({ length: 40 }, (_, k) => 150000 * (1 + (k % 20))),
  y: [
    0.11019, 0.21956, 0.32949, 0.43899, 0.54803, 0.65694, 0.76562, 0.87487, 0.98292, 1.09146, 1.20001,
    1.30822, 1.41599, 1.52399, 1.63194, 1.73947, 1.84646, 1.95392, 2.06128, 2.16844, 0.11052, 0.22018,
    0.32939, 0.43886, 0.54798, 0.65739, 0.76596, 0.87474, 0.983, 1.0915, 1.20004, 1.30818, 1.41613, 1.52408,
    1.63159, 1.73965, 1.84696, 1.95445, 2.06177, 2.16829,
  ],
};

describe('NIST StRD Norris, a straight line', () => {
  const fit = fitCalibration(norris.x, norris.y, 1);

  it('certified coefficients and deviations to 1e-10', () => {
    expectRelative(fit.coefficients[0], -0.262323073774029, 1e-10);
    expectRelative(fit.coefficients[1], 1.00211681802045, 1e-12);
    expectRelative(Math.sqrt(fit.covariance![0]), 0.232818234301152, 1e-10);
    expectRelative(Math.sqrt(fit.covariance![3]), 0.429796848199937e-3, 1e-10);
    expectRelative(fit.deviation!, 0.884796396144373, 1e-10);
    expectRelative(fit.squares, 26.6173985294224, 1e-10);
    expectRelative(fit.explained_ratio, 0.999993745883712, 1e-14);
    expect(fit.degrees).toBe(34);
  });

  // Computed independently in 40-digit arithmetic.
  it('covariance of offset and slope', () => {
    expectRelative(fit.covariance![1], -7.74327536315e-5, 1e-10);
    const r = fit.covariance![1] / Math.sqrt(fit.covariance![0] * fit.covariance![3]);
    expect(Math.abs(r + 0.773828082)).toBeLessThan(1e-9);
  });

  // By the formula of NIST/SEMATECH e-Handbook 2.3.6.7, computed independently.
  it('reading that belongs to 500', () => {
    const found = inversePrediction(fit, 500)!;
    expectRelative(found.value, 499.205595672942, 1e-12);
    expectRelative(found.uncertainty!, 0.895764104506, 1e-10);
  });
});

describe('NIST StRD Pontius, a parabola', () => {
  const fit = fitCalibration(pontius.x, pontius.y, 2);

  it('certified coefficients and deviations to 1e-8', () => {
    const coefficients = [0.673565789473684e-3, 0.732059160401003e-6, -0.316081871345029e-14];
    const deviations = [0.107938612033077e-3, 0.157817399981659e-9, 0.486652849992036e-16];
    for (let i = 0; i < 3; i++) {
      expectRelative(fit.coefficients[i], coefficients[i]!, 1e-8);
      expectRelative(Math.sqrt(fit.covariance![4 * i]), deviations[i]!, 1e-8);
    }
    expectRelative(fit.deviation!, 0.205177424076185e-3, 1e-8);
    expectRelative(fit.squares, 0.155761768796992e-5, 1e-8);
    expectRelative(fit.explained_ratio, 0.999999900178537, 1e-14);
  });

  it('a line through it lacks fit, the parabola less so', () => {
    const line = fitCalibration(pontius.x, pontius.y, 1);
    expect(lackOfFit(line, pontius.x)!.p).toBeLessThan(1e-9);
    const found = lackOfFit(fit, pontius.x)!;
    expect([found.over, found.under]).toEqual([17, 20]);
    // Pure error by hand: the pairs' differences squared, halved.
    const pure = pontius.y.slice(0, 20).reduce((sum, y, k) => sum + (y - pontius.y[k + 20]!) ** 2 / 2, 0);
    expectRelative(found.ratio, (fit.squares - pure) / 17 / (pure / 20), 1e-6);
    expect(found.p).toBeGreaterThan(1e-6);
  });

  it('finds the load of a reading', () => {
    const there = onCalibration(fit, 1.234e6);
    const back = inversePrediction(fit, there.value)!;
    expectRelative(back.value, 1.234e6, 1e-12);
    expect(back.uncertainty!).toBeGreaterThan(fit.deviation! / 7.4e-7);
  });
});

// JCGM 100:2008, H.3, with the data as an open library of metrology prints them; more digits computed independently.
describe('GUM H.3, calibration of a thermometer', () => {
  const t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.01, 26.511];
  const b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.16];
  const from20 = t.map((value) => value - 20);
  const fit = fitCalibration(from20, b, 1);
  const at30 = onCalibration(fit, 10);

  it('prints y1 -0.1712 (0.0029), y2 0.00218 (0.00067), s 0.0035', () => {
    expect(fit.coefficients[0].toFixed(4)).toBe('-0.1712');
    expect(Math.sqrt(fit.covariance![0]).toFixed(4)).toBe('0.0029');
    expect(fit.coefficients[1].toFixed(5)).toBe('0.00218');
    expect(Math.sqrt(fit.covariance![3]).toFixed(5)).toBe('0.00067');
    expect(fit.deviation!.toFixed(4)).toBe('0.0035');
    expect(fit.degrees).toBe(9);
    expectRelative(fit.coefficients[0], -0.171203790131, 1e-11);
    expectRelative(fit.coefficients[1], 0.00218269773989, 1e-11);
    expectRelative(fit.squares, 1.10096583109e-4, 1e-10);
    expectRelative(Math.sqrt(fit.covariance![0]), 0.00287759783516, 1e-10);
    expectRelative(Math.sqrt(fit.covariance![3]), 0.000667938773228, 1e-10);
  });

  it('prints r -0.930, and -0.1494 (0.0041) at 30 degrees', () => {
    const r = fit.covariance![1] / Math.sqrt(fit.covariance![0] * fit.covariance![3]);
    expect(Math.abs(r + 0.930429603093)).toBeLessThan(1e-11);
    expect(at30.value.toFixed(4)).toBe('-0.1494');
    expect(at30.uncertainty!.toFixed(4)).toBe('0.0041');
    expectRelative(at30.value, -0.149376812732, 1e-11);
    expectRelative(at30.uncertainty!, 0.00413859575285, 1e-10);
  });

  it('would be far off without the covariance', () => {
    const apart = Math.sqrt(fit.covariance![0] + 100 * fit.covariance![3]);
    expect(apart / at30.uncertainty!).toBeGreaterThan(1.7);
  });
});
