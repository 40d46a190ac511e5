/**
 * Unit factors against NIST Special Publication 811 (2008), appendix B.8, as printed there (seven digits), and against
 * exact definitions where SP 811 prints a factor in bold or another source is named beside it.
 */
import { describe, expect, it } from 'vitest';
import { type UnitKind, units } from '../../config/unit-table.ts';
import { findUnit, parseQuantity } from '../../config/units.ts';

const published: readonly (readonly [UnitKind, string, number])[] = [
  ['pressure', 'psi', 6.894757e3],
  ['pressure', 'bar', 1e5],
  ['pressure', 'mbar', 1e2],
  ['pressure', 'kPa', 1e3],
  ['absolutePressure', 'atm', 1.01325e5],
  ['absolutePressure', 'torr', 1.333224e2],
  ['pressure', 'kgf/cm2', 9.80665e4],
  ['pressure', 'mmHg', 1.333224e2],
  ['pressure', 'inHg', 3.386389e3],
  ['pressure', 'ftH2O', 2.989067e3],
  ['pressure', 'inH2O', 2.490889e2],
  ['pressure', 'cmH2O', 9.80665e1],
  ['modulus', 'ksi', 6.894757e6],
  ['length', 'in', 2.54e-2],
  ['length', 'ft', 3.048e-1],
  ['velocity', 'ft/s', 3.048e-1],
  ['velocity', 'in/s', 2.54e-2],
  ['velocity', 'km/h', 2.777778e-1],
  ['acceleration', 'ft/s2', 3.048e-1],
  ['flow', 'gpm', 6.30902e-5],
  ['flow', 'ft3/s', 2.831685e-2],
  ['flow', 'l/min', 1.666667e-5],
  ['volume', 'gal', 3.785412e-3],
  ['volume', 'igal', 4.54609e-3],
  ['volume', 'ft3', 2.831685e-2],
  ['volume', 'in3', 1.638706e-5],
  ['area', 'in2', 6.4516e-4],
  ['area', 'ft2', 9.290304e-2],
  ['rotation', 'rpm', 1.047198e-1],
  ['angle', 'deg', 1.745329e-2],
  ['mass', 'lb', 4.535924e-1],
  ['density', 'lb/ft3', 1.601846e1],
  ['density', 'slug/ft3', 5.153788e2],
  ['inertia', 'lb ft2', 4.214011e-2],
  ['force', 'lbf', 4.448222],
  ['force', 'kgf', 9.80665],
  ['torque', 'lbf ft', 1.355818],
  ['power', 'hp', 7.456999e2],
];

/**
 * SI prefixes and units used with the SI (NIST SP 811, tables 5, 6 and 8: litre, tonne, minute, hour, day; exact), and
 * what follows from B.8 by one step that is named.
 */
const bySystem: readonly (readonly [UnitKind, string, number])[] = [
  ['pressure', 'Pa', 1],
  ['pressure', 'MPa', 1e6],
  ['pressure', 'hPa', 100],
  ['pressure', 'atm', 101_325],
  ['pressure', 'torr', 133.32236842105263],
  ['pressure', 'mmH2O', 9.80665],
  ['pressure', 'mH2O', 9806.65],
  ['modulus', 'Pa', 1],
  ['modulus', 'kPa', 1e3],
  ['modulus', 'MPa', 1e6],
  ['modulus', 'bar', 1e5],
  ['modulus', 'psi', 6894.757293168361],
  ['modulus', 'GPa', 1e9],
  ['length', 'mm', 0.001],
  ['length', 'cm', 0.01],
  ['length', 'm', 1],
  ['length', 'km', 1000],
  ['length', 'um', 0.000001],
  ['time', 'us', 0.000001],
  ['time', 'ms', 0.001],
  ['time', 's', 1],
  ['time', 'min', 60],
  ['time', 'h', 3600],
  ['time', 'd', 86_400],
  ['velocity', 'm/s', 1],
  ['velocity', 'mm/s', 0.001],
  ['velocity', 'cm/s', 0.01],
  ['acceleration', 'm/s2', 1],
  ['flow', 'm3/s', 1],
  ['flow', 'l/s', 0.001],
  ['flow', 'l/h', 2.7777777777777776e-7],
  // B.8: the imperial gallon is 4.54609 litres; a minute is 60 s.
  ['flow', 'igpm', 7.576816666666667e-5],
  ['volume', 'm3', 1],
  ['volume', 'l', 0.001],
  ['volume', 'ml', 0.000001],
  ['area', 'mm2', 0.000001],
  ['area', 'cm2', 0.0001],
  ['area', 'm2', 1],
  ['temperature', 'K', 1],
  ['temperature', 'degC', 1],
  ['temperature', 'degF', 0.5555555555555556],
  ['rotation', 'rad/s', 1],
  ['rotation', 'rev/s', 6.283185307179586],
  ['angle', 'rad', 1],
  ['ratio', '%', 0.01],
  ['ratio', '1', 1],
  ['ratio', 'ppm', 0.000001],
  ['frequency', 'Hz', 1],
  ['frequency', 'kHz', 1000],
  ['mass', 'kg', 1],
  ['mass', 'g', 0.001],
  ['mass', 't', 1000],
  ['density', 'kg/m3', 1],
  ['inertia', 'kg m2', 1],
  ['force', 'N', 1],
  ['force', 'kN', 1000],
  ['torque', 'N m', 1],
  ['torque', 'kN m', 1000],
  ['stiffness', 'N m/rad', 1],
  ['damping', 'N m s/rad', 1],
  ['dashpot', 'N m s2/rad2', 1],
  ['current', 'A', 1],
  ['current', 'mA', 0.001],
  ['current', 'uA', 0.000001],
  ['power', 'W', 1],
  ['power', 'kW', 1000],
  // A byte is no unit of SP 811; its prefixes are powers of ten there (section 4.3).
  ['size', 'B', 1],
  ['size', 'kB', 1e3],
  ['size', 'MB', 1e6],
  ['size', 'GB', 1e9],
  ['size', 'TB', 1e12],
];

const exact: readonly (readonly [UnitKind, string, number, string])[] = [
  ['length', 'in', 0.0254, 'international inch (1959)'],
  ['length', 'ft', 0.3048, 'international foot (1959)'],
  ['volume', 'gal', 0.003785411784, '231 cubic inches'],
  ['flow', 'gpm', 0.003785411784 / 60, '231 cubic inches a minute'],
  ['flow', 'm3/h', 1 / 3600, 'hour of 3600 s'],
  ['flow', 'MGD', 3785.411784 / 86400, 'a million gallons a day of 86400 s'],
  ['pressure', 'psi', 6894.757293168361, 'pound-force a square inch'],
  ['pressure', 'mH2O', 9806.65, 'conventional water, 1000 kg/m3, standard gravity'],
  ['rotation', 'rpm', Math.PI / 30, 'a turn is 2 pi'],
];

/** A gauge and an absolute pressure share their factors; `psi(a)` is listed as `psi`. */
const nameOf = (kind: UnitKind, symbol: string) =>
  `${kind === 'absolutePressure' ? 'pressure' : kind} ${symbol.replace('(a)', '')}`;

describe('unit factors', () => {
  it('holds every unit against something outside', () => {
    const checked = new Set(
      [...published, ...exact, ...bySystem].map(([kind, symbol]) => nameOf(kind, symbol)),
    );
    expect(
      units.map(({ kind, symbol }) => nameOf(kind, symbol)).filter((name) => !checked.has(name)),
    ).toEqual([]);
  });

  it('gives an absolute pressure the factor of the gauge pressure', () => {
    const absolute = units.filter(({ kind }) => kind === 'absolutePressure');
    expect(absolute.length).toBeGreaterThan(10);
    for (const { symbol, factor } of absolute) {
      expect(factor, symbol).toBe(findUnit('pressure', symbol.replace('(a)', ''))?.factor);
    }
  });

  it.each(bySystem)('%s in %s is exact', (kind, symbol, factor) => {
    expect(findUnit(kind, symbol)!.factor / factor).toBeCloseTo(1, 14);
  });

  it.each(published)('%s in %s agrees with NIST SP 811 to its seven digits', (kind, symbol, factor) => {
    expect(findUnit(kind, symbol)?.factor.toPrecision(7)).toBe(factor.toPrecision(7));
  });

  it.each(exact)('%s in %s is exact', (kind, symbol, factor) => {
    expect(findUnit(kind, symbol)!.factor / factor).toBeCloseTo(1, 13);
  });

  it.each([
    // NIST SP 811 B.8: T/K = t/degC + 273.15; t/degC = (t/degF - 32)/1.8.
    ['0 degC', 273.15],
    ['32 degF', 273.15],
    ['212 degF', 373.15],
    ['-40 degF', 233.15],
    ['-40 degC', 233.15],
  ])('%s is %d K', (text, kelvin) => {
    const parsed = parseQuantity(text, 'temperature', 'temperature');
    expect('value' in parsed && parsed.value.value).toBeCloseTo(kelvin, 10);
  });
});
