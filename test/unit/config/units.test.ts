import { describe, expect, it } from 'vitest';
import type { UnitKind } from '../../../config/unit-table.ts';
import { findUnit, formatQuantity, type Limits, parseQuantity } from '../../../config/units.ts';

function read(text: string, kind: UnitKind, label = 'bore', limits: Limits = {}): number | string {
  const parsed = parseQuantity(text, kind, label, limits);
  return 'why' in parsed ? parsed.why : parsed.value.value;
}

describe('parseQuantity', () => {
  it.each([
    ['154.1 mm', 'length', 0.1541],
    ['154.1mm', 'length', 0.1541],
    ['6"', 'length', 0.1524],
    ['5.4 bar', 'pressure', 540_000],
    ['5.4 bar(g)', 'pressure', 540_000],
    ['78 psig', 'pressure', 78 * 6894.757293168361],
    ['-0.98 bar', 'pressure', -98_000],
    ['−0.98 bar', 'pressure', -98_000],
    ['1013 mbar', 'absolutePressure', 101_300],
    ['14.7 psia', 'absolutePressure', 14.7 * 6894.757293168361],
    ['5 ms', 'time', 0.005],
    ['20 °C', 'temperature', 293.15],
    ['180 m³/h', 'flow', 0.05],
    ['12 L/s', 'flow', 0.012],
    ['85 %', 'ratio', 0.85],
    ['1.06', 'ratio', 1.06],
    ['1e3 Hz', 'frequency', 1000],
    ['5 kHz', 'frequency', 5000],
    ['0.143 kg·m²', 'inertia', 0.143],
    ['8.5 Nm', 'torque', 8.5],
    ['1000 N m s²/rad²', 'dashpot', 1000],
    ['500 µs', 'time', 0.0005],
    ['5 PSI', 'pressure', 5 * 6894.757293168361],
    ['5 Bar', 'pressure', 500_000],
    ['2 kg/cm²', 'pressure', 2 * 98_066.5],
    ['20 m3/hr', 'flow', 20 / 3600],
    ['12 lps', 'flow', 0.012],
    ['2 mgd', 'flow', (2e6 * 231 * 0.0254 ** 3) / 86_400],
    ['20 deg C', 'temperature', 293.15],
    ['68 Fahrenheit', 'temperature', 293.15],
    ['5 millimetres', 'length', 0.005],
    ['5 MM', 'length', 0.005],
    ['1480 RPM', 'rotation', (1480 * Math.PI) / 30],
    ['20 gb', 'size', 20e9],
  ] as const)('reads %s', (text, kind, value) => {
    expect(read(text, kind)).toBeCloseTo(value, 9);
  });

  it('says what another unit measures and what is wanted', () => {
    expect(read('154.1 bar', 'length')).toBe('bar measures pressure; bore needs a length: mm, cm, m, in, ft');
  });

  it('never takes a number without its unit', () => {
    expect(read('154.1', 'length')).toBe('the unit is missing; bore needs a length: mm, cm, m, in, ft');
  });

  it('refuses a decimal comma and names the remedy', () => {
    expect(read('154,1 mm', 'length', 'bore', { min: '10 mm', max: '3 m' })).toBe(
      'a length such as "154.1 mm" is allowed (mm, cm, m, in, ft; 10 mm to 3 m); decimal point, not comma',
    );
  });

  it.each(['9 mm', '3.001 m', '-1 mm'])('refuses %s outside 10 mm to 3 m', (text) => {
    expect(read(text, 'length', 'bore', { min: '10 mm', max: '3 m' })).toContain('10 mm to 3 m');
  });

  it.each(['10 mm', '3 m', '1 cm', '3000 mm'])('takes %s at the limit', (text) => {
    expect(read(text, 'length', 'bore', { min: '10 mm', max: '3 m' })).toBeTypeOf('number');
  });

  it.each([
    ['5 mpa', 'pressure', 'unknown unit "mpa"; m is milli, M is mega: did you mean MPa?'],
    ['5 MS', 'time', 'm is milli, M is mega: did you mean ms?'],
    ['3 gallons', 'volume', '"gallons" may be gal (US) or igal (imperial)'],
    ['3 tons', 'mass', '"tons" may be t (1000 kg)'],
    ['5 furlong', 'length', 'unknown unit "furlong"'],
    ['20 m3/hx', 'flow', 'did you mean m3/h?'],
    ['1480 rmp', 'rotation', 'did you mean rpm?'],
  ] as const)('suggests for %s', (text, kind, hint) => {
    expect(read(text, kind)).toContain(hint);
  });

  it('keeps gauge and absolute apart, both ways', () => {
    expect(read('5.4 bar(a)', 'pressure', 'setPoint')).toContain('absolute pressure, setPoint is gauge');
    expect(read('1 barg', 'absolutePressure', 'atmosphere')).toContain(
      'gauge pressure, atmosphere is absolute',
    );
  });

  it.each(['', 'mm', 'abc', '1e999 m', '.', '--5 mm'])('refuses %j as a length', (text) => {
    expect(read(text, 'length')).toContain('a length such as "154.1 mm" is allowed');
  });
});

describe('formatQuantity', () => {
  it('shows the unit, no idle zeros, no rounding noise', () => {
    expect(formatQuantity(0.1541, findUnit('length', 'mm')!)).toBe('154.1 mm');
    expect(formatQuantity(540_000, findUnit('pressure', 'bar')!)).toBe('5.4 bar');
    expect(formatQuantity(293.15, findUnit('temperature', 'degC')!)).toBe('20 degC');
    expect(formatQuantity(1.06, findUnit('ratio', '')!)).toBe('1.06');
  });
});
