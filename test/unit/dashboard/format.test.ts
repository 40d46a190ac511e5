import { describe, expect, test } from 'vitest';
import type { Measured } from '../../../daemon/web/wire.ts';
import {
  decimalsFor,
  formatNumber,
  thinSpace,
  tickDecimals,
  withUnit,
} from '../../../dashboard/format/number.ts';
import { resultPhrase, resultText } from '../../../dashboard/format/result.ts';
import { displayUnit, systemOf, toDisplay } from '../../../dashboard/format/units.ts';
import { tripInWords } from '../../../dashboard/format/words.ts';

function measured(value: number, low: number, high: number, unit: string): Measured {
  return { value, low, high, unit, method: '', from_s: null, to_s: null };
}

describe('digits', () => {
  test.each([
    [0.03, 2],
    [0.031, 2],
    [0.013, 3],
    [0.0195, 2],
    [0.45, 1],
    [6, 0],
    [12, 0],
    [1.2, 1],
    [0.96, 1],
    [9.6, 0],
    [1e-9, 6],
  ])('a half-width of %f justifies %i decimals', (halfWidth, expected) => {
    expect(decimalsFor(halfWidth)).toBe(expected);
  });

  test('GUM 7.2.6: an interval is given with at most two significant digits', () => {
    for (let halfWidth = 0.0011; halfWidth < 900; halfWidth *= 1.07) {
      const text = halfWidth.toFixed(decimalsFor(halfWidth));
      const digits = text.replace('.', '').replace(/^0+/, '').replace(/0+$/, '');
      if (halfWidth < 10) expect(digits.length, text).toBeLessThanOrEqual(2);
    }
  });

  test('an exact number gets the fallback', () => {
    expect([0, Number.NaN, -1, Number.POSITIVE_INFINITY].map((width) => decimalsFor(width, 3))).toEqual([
      3, 3, 3, 3,
    ]);
  });

  test('axis ticks get what tells them apart', () => {
    expect([5, 2.5, 0.25, 0.1, 100, 1e-9].map(tickDecimals)).toEqual([0, 1, 2, 1, 0, 6]);
  });
});

describe('numbers', () => {
  test('a true minus sign, never before zero', () => {
    expect(formatNumber(-3.07, 2)).toBe('\u22123.07');
    expect(formatNumber(-0.001, 2)).toBe('0.00');
  });

  test('thin spaces from five digits on', () => {
    expect(formatNumber(1234, 0)).toBe('1234');
    expect(formatNumber(12345.6, 1)).toBe(`12${thinSpace}345.6`);
    expect(formatNumber(-1234567, 0)).toBe(`\u22121${thinSpace}234${thinSpace}567`);
  });

  test('no number is a dash, not NaN', () => {
    expect(formatNumber(Number.NaN, 2)).toBe('\u2013');
  });

  test('unit after a thin space, none for a pure number', () => {
    expect(withUnit('3.8', 'bar')).toBe(`3.8${thinSpace}bar`);
    expect(withUnit('2', '')).toBe('2');
  });
});

describe('units', () => {
  // NIST SP 811 (2008), appendix B.8: factors to SI.
  test.each([
    ['Pa', 6894.757, 'psi'],
    ['m/s', 0.3048, 'ft/s'],
    ['m3/s', 6.30902e-5, 'gpm'],
    ['N', 4.448222, 'lbf'],
    ['m', 0.3048, 'ft'],
  ])('one US unit of %s is %f in SI', (si, factor, symbol) => {
    const shown = displayUnit(si, 'us');
    expect(shown.symbol).toBe(symbol);
    expect(toDisplay(factor, shown)).toBeCloseTo(1, 6);
  });

  test('temperatures have an offset: water freezes at 32 and boils at 212 degF', () => {
    expect(toDisplay(273.15, displayUnit('K', 'us'))).toBeCloseTo(32, 9);
    expect(toDisplay(373.15, displayUnit('K', 'us'))).toBeCloseTo(212, 9);
    expect(toDisplay(293.15, displayUnit('K', 'si'))).toBeCloseTo(20, 9);
  });

  test('the unit an owner wrote is kept where it is metric; an unknown unit is shown as it is', () => {
    expect(displayUnit('Pa', 'si', 'kPa').symbol).toBe('kPa');
    expect(displayUnit('Pa', 'us', 'kPa').symbol).toBe('psi');
    expect(displayUnit('furlong', 'si')).toEqual({ symbol: 'furlong', factor: 1, offset: 0 });
  });

  test('the rig speaks the language of most of its channels', () => {
    expect(systemOf(['psi', 'psi', 'm/s', '1', '1', '1'])).toBe('us');
    expect(systemOf(['bar', 'bar', 'psi'])).toBe('si');
  });
});

describe('results', () => {
  test('value and interval carry the same digits', () => {
    expect(resultText('equivalentReverseVelocity', measured(0.2213, 0.1931, 0.2511, 'm/s'), 'si')).toEqual({
      value: '0.22',
      unit: 'm/s',
      low: '0.19',
      high: '0.25',
    });
    expect(resultText('surge', measured(3.8e5, 3.7e5, 4.6e5, 'Pa'), 'si')).toMatchObject({
      value: '3.8',
      low: '3.7',
      high: '4.6',
    });
    expect(resultText('closingTime', measured(0.67, 0.664, 0.676, 's'), 'si')).toMatchObject({
      value: '670',
      unit: 'ms',
    });
  });

  test('in other units the digits follow the interval', () => {
    expect(resultText('surge', measured(3.8e5, 3.7e5, 4.6e5, 'Pa'), 'us')).toMatchObject({
      value: '55',
      low: '54',
      high: '67',
    });
  });

  test('shares are read as per cent, counts as they are', () => {
    expect(resultText('captureFraction', measured(0.62, 0.6, 0.64, '1'), 'si')).toMatchObject({
      value: '62',
      unit: '%',
    });
    expect(resultText('reopenings', measured(2, 2, 2, '1'), 'si')).toMatchObject({ value: '2', unit: '' });
  });

  test('a withheld number says so', () => {
    expect(resultPhrase('surge', { value: null, reason: 'x' }, 'si')).toBe('withheld');
  });
});

test('the countdown is never more certain than it is', () => {
  expect([0.4, 5.7, 23, 240].map(tripInWords)).toEqual([
    'trip any moment',
    'trip in about 6 s',
    'trip in about 25 s',
    'trip in about 4 min',
  ]);
});
